// @ts-check
/**
 * Landmarks that cannot be right. An image whose landmarks lie on one place or against their order
 * is not moved by them; what is only odd is said, and the reader's word stands. Plain geometry.
 */

import { dot, mean, minus, size } from './points.js';

/** @typedef {[number, number]} Point */
/** @typedef {import('./tour.js').Level} Level */
/** @typedef {{kind: 'together'|'order'|'turned'|'uneven'|'exchanged'|'outside', ids: [string, string]}} Wrong
 *   ids: the two landmarks it is about, as they are listed; twice the same where it is about one */

/** Pixels of the image under which two landmarks are one place. */
const SAME = 8;
/** Cosine under which a step goes back along the limb; a joint bent to the utmost does not. */
const BACK = -0.2;
/** So many times longer or shorter than its neighbour, by the map, a step is odd. */
const UNEVEN = 4;
const STAYS = new Set(['together', 'order']);


/** Whether the image stays whole for it. */
export const blocks = (/** @type {Wrong | null} */ wrong) => wrong !== null && STAYS.has(wrong.kind);

/**
 * The first thing that speaks against the landmarks of one limb on a view.
 * @param {Level[]} levels those whose landmarks are all known, from proximal to distal
 * @param {Record<string, Point>} points
 * @param {{right: Point, down: Point} | null} [hung] where the map's right and down go on the image
 * @returns {Wrong | null}
 */
export function wrongIn(levels, points, hung = null) {
  const at = levels.map(({ ids }) => mean(ids.map(id => points[id])));
  return together(levels, points) ?? against(levels, at) ?? turned(levels, at, hung) ?? exchanged(levels, points, hung) ?? uneven(levels, at);
}

/**
 * The first landmark that lies off the limb, as far as the limb was found there.
 * @param {Level[]} levels
 * @param {Record<string, Point>} points
 * @param {import('./limb_outline.js').LimbOutline | null} limb
 * @returns {Wrong | null}
 */
export function offLimb(levels, points, limb) {
  const id = limb && levels.flatMap(level => level.ids).find(one => points[one] && limb.off(points[one]));
  return id ? { kind: 'outside', ids: [id, id] } : null;
}

/** @returns {Wrong | null} */
function together(levels, points) {
  const ids = levels.flatMap(level => level.ids);
  for (const [i, id] of ids.entries()) {
    const same = ids.slice(i + 1).find(other => size(minus(points[other], points[id])) < SAME);
    if (same) return { kind: 'together', ids: [id, same] };
  }
  return null;
}

/** @returns {Wrong | null} */
function against(levels, at) {
  if (at.length < 3) return null;
  const whole = minus(at[at.length - 1], at[0]);
  const back = at.findIndex((point, i) => i > 0 && dot(minus(point, at[i - 1]), whole) < BACK * size(minus(point, at[i - 1])) * size(whole));
  return back > 0 ? { kind: 'order', ids: [levels[back - 1].ids[0], levels[back].ids[0]] } : null;
}

/** @returns {Wrong | null} */
function turned(levels, at, hung) {
  if (!hung || at.length < 2) return null;
  const whole = minus(at[at.length - 1], at[0]);
  return dot(whole, hung.down) < -0.5 * size(whole) ? { kind: 'turned', ids: [levels[0].ids[0], levels[levels.length - 1].ids[0]] } : null;
}

/** @returns {Wrong | null} */
function exchanged(levels, points, hung) {
  const pair = hung && levels.find(({ ids, places }) => {
    if (ids.length !== 2) return false;
    const run = minus(points[ids[1]], points[ids[0]]);
    return dot(run, hung.right) * (places[1][0] - places[0][0]) < 0 && Math.abs(dot(run, hung.right)) > 0.5 * size(run);
  });
  return pair ? { kind: 'exchanged', ids: pair.ids } : null;
}

/** @returns {Wrong | null} */
function uneven(levels, at) {
  const steps = at.slice(1).map((point, i) => size(minus(point, at[i])) / (levels[i + 1].y - levels[i].y));
  const odd = steps.findIndex((step, i) => i > 0 && Math.max(step / steps[i - 1], steps[i - 1] / step) > UNEVEN);
  return odd > 0 ? { kind: 'uneven', ids: [levels[odd].ids[0], levels[odd + 1].ids[0]] } : null;
}
