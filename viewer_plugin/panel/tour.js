// @ts-check
/**
 * Where a structure lies on an image, from a few landmarks. The limb map says how far along and
 * across the limb a structure lies; the landmarks say where those levels are on the image. Plain
 * geometry: no page, no viewer.
 */

import { blocks, wrongIn } from './landmark_check.js';
import { LEVELS, STRAIGHT } from './landmark_levels.js';
import { bounds, mapFor, shapeOf } from './map_state.js';
import { mean, minus, size } from './points.js';
import { courseOf } from './proposing_across.js';

/** @typedef {[number, number]} Point */
/** @typedef {{ids: string[], places: Point[], x: number, y: number, straight: boolean}} Level
 *   places: on the map; straight: on a part of the limb that is as long on any view */
/** @typedef {{x: number, y: number, fov: number}} Place */

/** Levels that lie closer on the map are one: the joint of two neighbouring regions. */
const APART = 30;
/** What is seen around a structure, in sizes of it; of a long one no more than so much of the map beside it. */
const ROOM = 2.6;
const BESIDE = 100;
/** At least so much of the map is seen. */
const LEAST = 90;

const middle = (/** @type {any} */ shape) => {
  const { left, right, top, bottom } = bounds(shape.d);
  return /** @type {Point} */ ([(left + right) / 2, (top + bottom) / 2]);
};
export const fromSide = (/** @type {import('./types.js').View} */ view) => /^(ML|LM)/.test(view.view);

/** Items of one limb that are on a view, and the map that draws them. */
function limbOn(maps, template, view, side) {
  const items = template.items.filter(item => item.side === side && view.uid in item.visibility);
  return { items, map: items.length ? mapFor(maps, template.species, template, items[0].region) : null };
}

/**
 * The landmarks of one limb on a view, from proximal to distal.
 * @param {any[]} maps
 * @param {import('./types.js').Template} template
 * @param {import('./types.js').View} view
 * @param {string} side
 * @returns {Level[]}
 */
export function levelsOf(maps, template, view, side) {
  const { items, map } = limbOn(maps, template, view, side);
  /** @type {Level[]} */
  const all = [];
  for (const region of map ? new Set(items.map(item => item.region)) : []) {
    for (const { front, side: lateral } of LEVELS[region] ?? []) {
      const wanted = fromSide(view) && lateral ? lateral : front;
      const found = wanted.flatMap(id => items.filter(item => item.region === region && item.structure === id && shapeOf(map, item)));
      if (found.length !== wanted.length) continue;
      const places = found.map(item => middle(shapeOf(map, item)));
      const [x, y] = mean(places);
      all.push({ ids: found.map(item => item.id), places, x, y, straight: STRAIGHT.has(region) });
    }
  }
  all.sort((a, b) => a.y - b.y || b.ids.length - a.ids.length);
  return all.filter((level, i) => i === 0 || level.y - all[i - 1].y >= APART);
}

/** One limb on one image, once two of its levels are known. */
export class Guide {
  /**
   * @param {any} map
   * @param {Level[]} levels all known
   * @param {Record<string, Point>} points
   * @param {Point | null} [right] which way the map's right goes on the image, where that can be said
   */
  constructor(map, levels, points, right = null) {
    this.map = map;
    this.right = right;
    this.knots = levels.map(({ ids, places, x, y }) => {
      const on = ids.map(id => points[id]);
      const at = mean(on);
      // Image pixels for one step to the right on the map.
      const wide = on.length === 2 && Math.abs(places[1][0] - places[0][0]) > 1
        ? /** @type {Point} */ (minus(on[1], on[0]).map(v => v / (places[1][0] - places[0][0]))) : null;
      return { x, y, at, wide };
    });
    this.wide = this.knots.find(knot => knot.wide)?.wide ?? null;
  }

  #stretch(y) {
    const last = this.knots.length - 2;
    const index = this.knots.findIndex((knot, i) => i === last || y < this.knots[i + 1].y);
    return [this.knots[index], this.knots[index + 1]];
  }

  /**
   * The middle of the limb at a level of the map, and the step from there for one of the map.
   * @param {number} y
   * @returns {{at: Point, along: Point, x: number}}
   */
  at(y) {
    const [a, b] = this.#stretch(y);
    const share = (y - a.y) / (b.y - a.y);
    const along = /** @type {Point} */ (minus(b.at, a.at).map(v => v / (b.y - a.y)));
    const at = /** @type {Point} */ ([0, 1].map(i => a.at[i] + share * (b.at[i] - a.at[i])));
    return { at, along, x: a.x + Math.min(1, Math.max(0, share)) * (b.x - a.x) };
  }

  /** The level of the map at which a point of the image lies. */
  level(/** @type {Point} */ point) {
    const down = minus(/** @type {any} */ (this.knots.at(-1)).at, this.knots[0].at);
    const far = p => (p[0] * down[0] + p[1] * down[1]) / size(down);
    const way = far(point);
    const last = this.knots.length - 2;
    const index = this.knots.findIndex((_, i) => i === last || way < far(this.knots[i + 1].at));
    const [a, b] = [this.knots[index], this.knots[index + 1]];
    return a.y + ((way - far(a.at)) / (far(b.at) - far(a.at) || 1)) * (b.y - a.y);
  }

  /** The level of the map at which structures lie; null: they are not drawn along the limb. */
  levelOf(/** @type {import('./types.js').Item[]} */ items) {
    const shapes = items.map(item => shapeOf(this.map, item)).filter(shape => shape && !shape.frame);
    return shapes.length ? middle(shapes[0])[1] : null;
  }

  /**
   * What a viewport shows for structures that are read together; null: all of the image.
   * @param {import('./types.js').Item[]} items
   * @returns {Place | null}
   */
  place(items) {
    const shapes = items.filter(item => ['bone', 'cartilage'].includes(item.section)).map(item => shapeOf(this.map, item)).filter(shape => shape && !shape.frame);
    if (!shapes.length) return null;
    const boxes = shapes.map(shape => bounds(shape.d));
    const [left, right] = [Math.min(...boxes.map(b => b.left)), Math.max(...boxes.map(b => b.right))];
    const [top, bottom] = [Math.min(...boxes.map(b => b.top)), Math.max(...boxes.map(b => b.bottom))];
    const { at, along, x } = this.at((top + bottom) / 2);
    const wide = this.wide ?? this.#guessedWide(along);
    const across = wide ? (left + right) / 2 - x : 0;
    const broad = Math.max(wide ? size(wide) : 0, size(along));
    const seen = (/** @type {number} */ extent) => Math.min(ROOM * extent, extent + BESIDE);
    const fov = Math.max(LEAST * size(along), seen(bottom - top) * size(along), seen(wide ? right - left : 0) * broad);
    return { x: at[0] + across * (wide?.[0] ?? 0), y: at[1] + across * (wide?.[1] ?? 0), fov };
  }

  /** Without two landmarks at one level: square to the limb, as wide as it is drawn. @returns {Point | null} */
  #guessedWide(/** @type {Point} */ along) {
    if (!this.right) return null;
    const way = this.right[0] * -along[1] + this.right[1] * along[0] < 0 ? -1 : 1;
    return [-along[1] * way, along[0] * way];
  }
}

/**
 * @param {any[]} maps
 * @param {import('./types.js').Template} template
 * @param {Record<string, Record<string, Point>> | undefined} landmarks
 * @param {import('./types.js').View} view
 * @param {string} side
 * @param {any} [hung] how the image is hung; without it nothing is said of medial and lateral
 * @returns {Guide | null} null: fewer than two levels are known, or they cannot be right
 */
export function guideOf(maps, template, landmarks, view, side, hung = null) {
  const points = landmarks?.[view.uid] ?? {};
  const known = levelsOf(maps, template, view, side).filter(level => level.ids.every(id => points[id]));
  if (known.length < 2 || blocks(wrongIn(known, points))) return null;
  return new Guide(limbOn(maps, template, view, side).map, known, points, rightOn(view, side, hung));
}

/**
 * How far apart the levels lie that are known on a view, along the straight part of the limb, in
 * millimetres of the image.
 * @param {any[]} maps @param {import('./types.js').Template} template @param {Record<string, Record<string, Point>>} landmarks
 * @param {import('./types.js').View} view @param {string} side @param {number} mm for a pixel
 * @returns {import('./proposing_across.js').Course} empty: fewer than two are known, or they cannot be right
 */
export function courseOn(maps, template, landmarks, view, side, mm) {
  const points = landmarks[view.uid] ?? {};
  const known = levelsOf(maps, template, view, side).filter(level => level.ids.every(id => points[id]));
  return mm > 0 && !blocks(wrongIn(known, points)) ? courseOf(known.filter(level => level.straight), points, mm) : [];
}

/** Which way the map's right goes on a view; null: that cannot be said. @returns {Point | null} */
export function rightOn(/** @type {import('./types.js').View} */ view, /** @type {string} */ side, /** @type {any} */ hung) {
  return hung?.hung && !fromSide(view) ? mapAxes(side, hung).right : null;
}

/**
 * What speaks against the landmarks of one limb on a view.
 * @param {any[]} maps
 * @param {import('./types.js').Template} template
 * @param {Record<string, Point>} points
 * @param {import('./types.js').View} view
 * @param {string} side
 * @param {any} hung how the image is hung
 */
export function wrongOn(maps, template, points, view, side, hung) {
  const known = levelsOf(maps, template, view, side).filter(level => level.ids.every(id => points[id]));
  return wrongIn(known, points, hung?.hung ? mapAxes(side, hung) : null);
}

/** Which way the map's down goes on a view; null: that cannot be said. @returns {Point | null} */
export function downOn(/** @type {string} */ side, /** @type {any} */ hung) {
  return hung?.hung ? mapAxes(side, hung).down : null;
}

/** Where right and down of the map go on the image: a left limb is drawn mirrored. */
function mapAxes(side, hung) {
  const { right, down } = hungAxes(hung);
  const mirrored = side === 'L' ? -1 : 1;
  return { right: /** @type {Point} */ (right.map(v => v * mirrored)), down: /** @type {Point} */ (down) };
}

/** Directions of the screen in the image, as it is hung: what goes right and what goes down. */
export function hungAxes({ rotation = 0, flip_horizontal = false } = {}) {
  const turn = (rotation * Math.PI) / 180;
  const flip = flip_horizontal ? -1 : 1;
  return { right: [Math.cos(turn) * flip, -Math.sin(turn)], down: [Math.sin(turn) * flip, Math.cos(turn)] };
}
