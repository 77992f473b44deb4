// @ts-check
/**
 * A Grayscale Softcopy Presentation State (PS3.3 A.33.1) in DICOM JSON, read as what is to be drawn
 * over the images it refers to and how they are to hang. What it cannot express here (shutters,
 * look-up tables, curves of its own) is left out.
 *
 * @typedef {{uid: string, window: {centre: number, width: number} | null, rotation: number,
 *   flip_horizontal: boolean}} Presented
 */

import { emptyLayer } from './layer.js';

const values = (item, tag) => item?.[tag]?.Value ?? [];
const first = (item, tag) => values(item, tag)[0];

/**
 * @param {any} state the metadata of one instance
 * @returns {{images: Presented[], layer: import('./layer.js').Layer}}
 */
export function readState(state) {
  const rotation = Number(first(state, '00700042') ?? 0);
  const flip = first(state, '00700041') === 'Y';
  const listed = values(state, '00081115').flatMap(series => referenced(series));
  const layer = emptyLayer();
  for (const annotation of values(state, '00700001')) {
    const named = referenced(annotation);
    for (const uid of named.length ? named : listed) {
      for (const drawn of values(annotation, '00700009')) addShape(layer, uid, drawn);
      for (const said of values(annotation, '00700008')) addText(layer, uid, said, areaOf(state, uid), rotation, flip);
    }
  }
  const images = listed.map(uid => ({ uid, window: windowOf(state, uid), rotation, flip_horizontal: flip }));
  return { images, layer };
}

const referenced = item => values(item, '00081140').map(row => String(first(row, '00081155')));

/** An item counts for the images that it names, or for all when it names none. */
function itemFor(state, tag, uid) {
  return values(state, tag).find(item => referenced(item).length === 0 || referenced(item).includes(uid));
}

function windowOf(state, uid) {
  const item = itemFor(state, '00283110', uid);
  const centre = Number(first(item, '00281050')), width = Number(first(item, '00281051'));
  return Number.isFinite(centre) && width > 0 ? { centre, width } : null;
}

/** First and last column and row that are displayed, as places in the image. */
function areaOf(state, uid) {
  const item = itemFor(state, '0070005A', uid);
  const [left = 1, top = 1] = values(item, '00700052'), [right = left, bottom = top] = values(item, '00700053');
  return { left: left - 1, top: top - 1, width: right - left + 1, height: bottom - top + 1 };
}

function addShape(layer, uid, drawn) {
  const numbers = values(drawn, '00700022');
  const points = pairsOf(numbers);
  if (first(drawn, '00700005') !== 'PIXEL' || points.length === 0) return;
  const type = first(drawn, '00700023');
  const shape = { uid, name: '', tone: /** @type {const} */ ('kept') };
  if (type === 'CIRCLE' && points.length === 2) {
    const radius = Math.hypot(points[1][0] - points[0][0], points[1][1] - points[0][1]);
    layer.shapes.push({ ...shape, kind: 'circle', points: [points[0]], radius });
  } else if (type === 'POINT') {
    layer.shapes.push({ ...shape, kind: 'points', points });
  } else if (type === 'POLYLINE') {
    layer.shapes.push({ ...shape, kind: 'line', points });
  }
}

/** @returns {[number, number][]} */
function pairsOf(numbers) {
  return Array.from({ length: Math.floor(numbers.length / 2) }, (_, i) => [numbers[2 * i], numbers[2 * i + 1]]);
}

function addText(layer, uid, said, area, rotation, flip) {
  const text = String(first(said, '00700006') ?? '').replaceAll(/\s*[\r\n]+\s*/g, ' · ');
  const anchored = values(said, '00700014');
  const boxed = values(said, '00700010');
  const [at, units] = anchored.length ? [anchored, first(said, '00700004')] : [boxed, first(said, '00700003')];
  if (!text || at.length < 2) return;
  const point = units === 'DISPLAY' ? displayed(at, area, rotation, flip) : /** @type {[number, number]} */ ([at[0], at[1]]);
  layer.labels.push({ uid, point, text, tone: 'kept' });
}

/** A place as a share of the displayed area, which is flipped first and turned clockwise then. */
function displayed([u, v], area, rotation, flip) {
  const turned = { 0: [u, v], 90: [v, 1 - u], 180: [1 - u, 1 - v], 270: [1 - v, u] }[rotation] ?? [u, v];
  const x = flip ? 1 - turned[0] : turned[0];
  return /** @type {[number, number]} */ ([area.left + x * area.width, area.top + turned[1] * area.height]);
}
