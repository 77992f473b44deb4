// @ts-check
/**
 * Landmarks proposed from those that the reader has set. An image rarely shows just what the map
 * draws, and where a joint lies cannot be told from the outline of a limb: so nothing is proposed
 * before two levels are set, nothing beyond them, and nothing that is not surely on the limb. Plain
 * geometry.
 */

import { mean } from './points.js';

/** @typedef {[number, number]} Point */
/** @typedef {import('./tour.js').Level} Level */

/** Share of the length of the axis under which two set levels are too close to say anything. */
const CLOSE = 0.02;
/**
 * Share of the way between two set levels under which a level is too near to one of them: the map's
 * proportions are out by up to a tenth of that way (`tests/benchmarks/landmark_proposals.py`), and a
 * joint that is proposed beside its neighbour misleads.
 */
const NEAR = 0.18;

/**
 * @param {Level[]} levels from proximal to distal
 * @param {Record<string, Point>} set
 * @param {import('./limb_outline.js').LimbOutline | null} limb
 * @param {Point | null} right which way the map's right goes on the image, where that can be said
 * @returns {Record<string, Point>}
 */
export function proposed(levels, set, limb, right) {
  if (!limb) return {};
  const known = levels.filter(({ ids }) => ids.every(id => set[id])).map(({ ids, y }) => ({ y, ...limb.where(mean(ids.map(id => set[id]))) }));
  /** @type {Record<string, Point>} */
  const found = {};
  for (const level of levels) {
    const below = known.findIndex(one => one.y > level.y);
    if (below < 1 || level.ids.some(id => set[id])) continue;
    const points = between(level, known[below - 1], known[below], limb, right);
    if (points.length && points.every(point => (limb.depth(point) ?? -1) > 0)) level.ids.forEach((id, i) => { found[id] = points[i]; });
  }
  return found;
}

/** @returns {Point[]} none: it cannot be said */
function between(level, a, b, limb, right) {
  if (level.y <= a.y || Math.abs(b.along - a.along) < CLOSE * limb.length) return [];
  const share = (level.y - a.y) / (b.y - a.y);
  if (Math.min(share, 1 - share) < NEAR) return [];
  const at = limb.at(a.along + share * (b.along - a.along), a.across + share * (b.across - a.across));
  if (level.ids.length === 1) return [rounded(at)];
  if (!right) return [];
  const scale = Math.abs(b.along - a.along) / (b.y - a.y);
  return level.places.map(([x]) => rounded([0, 1].map(i => at[i] + (x - level.x) * scale * right[i])));
}

const rounded = point => /** @type {Point} */ (point.map(v => Math.round(10 * v) / 10));
