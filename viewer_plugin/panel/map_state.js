// @ts-check
/** What each shape of the limb map shows: one state per view, in the order of the views. */

import { observation } from './reading.js';
import { strings } from './strings.js';

/** @typedef {'open'|'normal'|'group'|'abnormal'|'variant'|'undetermined'|'blind'} Fill */

/**
 * Sides that have their own drawing. "B" and "U" are drawn as they stand.
 * @param {import('./types.js').Template} template
 */
export function sides(template) {
  return [...new Set(template.items.map(item => item.side))];
}

/**
 * Views of one side that the shapes are split by.
 * @param {import('./types.js').Template} template
 * @param {string} side
 */
export function viewsOfSide(template, side) {
  const used = new Set(
    template.items.filter(item => item.side === side).flatMap(item => Object.keys(item.visibility))
  );
  return template.views.filter(view => used.has(view.uid));
}

/** The label of a view where the side is plain already: "DPa" of "L DPa". */
export function shortLabel(/** @type {import('./types.js').View} */ view) {
  return view.label.startsWith(`${view.side} `) ? view.label.slice(view.side.length + 1) : view.label;
}

const NAMED = 4;

/** Labels where all of forty would be in the way: the first few, and how many more. */
export function someOf(/** @type {string[]} */ labels) {
  return labels.length > NAMED + 1 ? [...labels.slice(0, NAMED), strings.images.more(labels.length - NAMED)] : labels;
}

/**
 * @param {import('./types.js').Item} item
 * @param {import('./types.js').View[]} views
 * @param {import('./types.js').Reading} reading
 * @returns {Fill[]}
 */
export function fills(item, views, reading) {
  const relevant = views.filter(view => view.uid in item.visibility);
  return relevant.map(view => {
    const said = observation(reading, item.id, view.uid);
    const value = said?.value;
    if (said?.by_group) return 'group';
    if (value) return value === 'not_assessable' ? 'blind' : value;
    return item.visibility[view.uid] === 'no' ? 'blind' : 'open';
  });
}

/**
 * The shape of an item: by region and structure first, for structures that two regions share.
 * @param {{shapes: Record<string, any>} | null} map
 * @param {import('./types.js').Item} item
 */
export function shapeOf(map, item) {
  return map?.shapes[`${item.region}.${item.structure}`] ?? map?.shapes[item.structure] ?? null;
}

/**
 * The drawing for a template, or null: then the list alone is shown. A study of fore and hind
 * limbs has two; the one of the region being read comes first.
 * @param {any[]} maps
 * @param {string} species
 * @param {import('./types.js').Template} template
 * @param {string} [region] the region being read
 */
export function mapFor(maps, species, template, region = '') {
  const own = maps.filter(map => map.species.includes(species));
  return (
    own.find(map => map.regions.includes(region)) ??
    own.find(map => template.items.some(item => map.regions.includes(item.region))) ??
    null
  );
}

/**
 * The part of the drawing that the regions of a study take up, as [x, y, width, height].
 * @param {{windows: Record<string, number[]>}} map
 * @param {Iterable<string>} regions
 */
export function windowOf(map, regions) {
  const windows = [...new Set(regions)].map(region => map.windows[region]).filter(Boolean);
  const used = windows.length ? windows : Object.values(map.windows);
  const left = Math.min(...used.map(w => w[0]));
  const top = Math.min(...used.map(w => w[1]));
  const right = Math.max(...used.map(w => w[0] + w[2]));
  const bottom = Math.max(...used.map(w => w[1] + w[3]));
  return [left, top, right - left, bottom - top];
}

/**
 * Bones of the limb that the study does not ask for: they only say where in the limb one is.
 * @param {{shapes: Record<string, any>}} map
 * @param {any[]} drawn shapes that stand for an item
 * @returns {string[]} their paths
 */
export function restOfLimb(map, drawn) {
  const used = new Set(drawn);
  return Object.values(map.shapes)
    .filter(shape => shape.layer === 'bone' && !shape.frame && !used.has(shape))
    .map(shape => shape.d);
}

/**
 * The nearest shape in the direction of an arrow key; distance across counts double.
 * @param {{id: string, x: number, y: number}[]} centres
 * @param {string} from
 * @param {string} key ArrowUp, ArrowDown, ArrowLeft or ArrowRight
 * @returns {string | null}
 */
export function toward(centres, from, key) {
  const start = centres.find(c => c.id === from);
  const way = { ArrowUp: [0, -1], ArrowDown: [0, 1], ArrowLeft: [-1, 0], ArrowRight: [1, 0] }[key];
  if (!start || !way) return null;
  let best = null;
  let least = Infinity;
  for (const c of centres) {
    const along = (c.x - start.x) * way[0] + (c.y - start.y) * way[1];
    const across = Math.abs((c.x - start.x) * way[1]) + Math.abs((c.y - start.y) * way[0]);
    if (c.id === from || along < 1) continue;
    const cost = along + 2 * across;
    if (cost < least) [best, least] = [c.id, cost];
  }
  return best;
}

/** @type {Map<string, {left: number, top: number, right: number, bottom: number}>} */
const known = new Map();

/**
 * Bounds of a path after turning it by -`turn` degrees about the origin, so that strips along a
 * slanting bone can be cut. Knows the absolute commands that our drawings use: M L C Q A Z.
 * @param {string} d
 * @param {number} [turn]
 */
export function bounds(d, turn = 0) {
  const key = `${turn} ${d}`;
  const box = known.get(key) ?? boundsOf(d, turn);
  known.set(key, box); // The drawings are few and never change.
  return box;
}

function boundsOf(d, turn) {
  const cos = Math.cos((-turn * Math.PI) / 180);
  const sin = Math.sin((-turn * Math.PI) / 180);
  const box = { left: Infinity, top: Infinity, right: -Infinity, bottom: -Infinity };
  const grow = (x, y, r = 0) => {
    const [u, v] = [x * cos - y * sin, x * sin + y * cos];
    box.left = Math.min(box.left, u - r);
    box.right = Math.max(box.right, u + r);
    box.top = Math.min(box.top, v - r);
    box.bottom = Math.max(box.bottom, v + r);
  };
  let last = [0, 0];
  for (const [, letter, text] of d.matchAll(/([MLCQAZ])([^MLCQAZ]*)/g)) {
    const n = (text.match(/-?\d*\.?\d+/g) ?? []).map(Number);
    if (letter === 'A') {
      for (let i = 0; i < n.length; i += 7) {
        const [x, y] = [n[i + 5], n[i + 6]];
        grow((x + last[0]) / 2, (y + last[1]) / 2, Math.max(n[i], n[i + 1]) * 0.9);
        last = [x, y];
      }
    } else {
      for (let i = 0; i + 1 < n.length; i += 2) grow(n[i], n[i + 1]);
      if (n.length) last = n.slice(-2);
    }
  }
  return box;
}
