// @ts-check
/**
 * Landmarks proposed from another image of the same animal. Its own levels lie as far apart along
 * the limb as they do here, whichever way the beam went: one level set here is enough to say where
 * the others are. Plain geometry.
 */

import { mean, minus, dot, size } from './points.js';

/** @typedef {[number, number]} Point */
/** @typedef {import('./tour.js').Level} Level */
/** @typedef {{y: number, mm: number}[]} Course how far along the limb the levels of the map lie */

/** Share of a known course by which a level may lie above or below it. */
const BEYOND = 0.08;
/** Cosine of the steepest way that a limb may lie across the image and its lower end still be known. */
const STEEP = 0.5;

/**
 * @param {Level[]} levels those known on an image
 * @param {Record<string, Point>} points
 * @param {number} mm for a pixel
 * @returns {Course}
 */
export function courseOf(levels, points, mm) {
  const at = levels.map(({ ids }) => mean(ids.map(id => points[id])));
  let along = 0;
  return levels.map(({ y }, i) => ({ y, mm: (along += i ? mm * size(minus(at[i], at[i - 1])) : 0) }));
}

/** How far along a course a level lies; null: it does not reach so far. @returns {number | null} */
function place(/** @type {Course} */ course, /** @type {number} */ y) {
  const last = course.length - 1;
  const room = BEYOND * (course[last].y - course[0].y);
  if (y < course[0].y - room || y > course[last].y + room) return null;
  const index = course.findIndex((_, i) => i === last - 1 || y < course[i + 1].y);
  const [a, b] = [course[index], course[index + 1]];
  return a.mm + ((y - a.y) / (b.y - a.y)) * (b.mm - a.mm);
}

/**
 * @param {Level[]} levels of this image, from proximal to distal
 * @param {Record<string, Point>} set
 * @param {import('./limb_outline.js').LimbOutline | null} limb
 * @param {{course: Course, mm: number, right: Point | null, down: Point | null}} known
 *   mm: for a pixel of this image; right, down: which way those of the map go on it
 * @returns {Record<string, Point>}
 */
export function proposedAcross(levels, set, limb, { course, mm, right, down }) {
  if (!limb || course.length < 2 || !(mm > 0)) return {};
  const straight = levels.filter(level => level.straight);
  const here = straight.flatMap(({ ids, y }) => {
    const at = place(course, y);
    return at !== null && ids.every(id => set[id]) ? [{ at, ...limb.where(mean(ids.map(id => set[id]))) }] : [];
  });
  const way = here.length && distal(here, limb, down);
  /** @type {Record<string, Point>} */
  const found = {};
  for (const level of way ? straight : []) {
    const at = place(course, level.y);
    if (at === null || level.ids.some(id => set[id])) continue;
    const nearest = here.reduce((best, one) => (Math.abs(one.at - at) < Math.abs(best.at - at) ? one : best));
    const middle = limb.at(nearest.along + (way * (at - nearest.at)) / mm, nearest.across);
    const points = row(level, middle, right, slope(course) / mm);
    if (points.length && points.every(point => (limb.depth(point) ?? -1) > 0)) level.ids.forEach((id, i) => { found[id] = points[i]; });
  }
  return found;
}

/** Whether the limb goes down along its axis as it was found (1) or up (-1); 0: that cannot be said. */
function distal(here, limb, down) {
  const [a, b] = [here[0], here[here.length - 1]];
  if (a.at !== b.at) return Math.sign((b.along - a.along) * (b.at - a.at));
  if (!down) return 0;
  const run = minus(limb.axis[limb.axis.length - 1], limb.axis[0]);
  const cosine = dot(run, down) / (size(run) * size(down));
  return Math.abs(cosine) < STEEP ? 0 : Math.sign(cosine);
}

/** Millimetres for one of the map. */
const slope = (/** @type {Course} */ course) => (course[course.length - 1].mm - course[0].mm) / (course[course.length - 1].y - course[0].y);

/** The points of a level round its middle; none: medial is not known. @returns {Point[]} */
function row(level, at, right, scale) {
  if (level.ids.length > 1 && !right) return [];
  return level.places.map(([x]) => /** @type {Point} */ ([0, 1].map(i => Math.round(10 * (at[i] + (right ? (x - level.x) * scale * right[i] : 0))) / 10)));
}
