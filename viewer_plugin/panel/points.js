// @ts-check
/** Points of an image, [column, row], as vectors. */

/** @typedef {[number, number]} Point */

export const minus = (/** @type {Point} */ a, /** @type {Point} */ b) => /** @type {Point} */ ([a[0] - b[0], a[1] - b[1]]);
export const dot = (/** @type {Point} */ a, /** @type {Point} */ b) => a[0] * b[0] + a[1] * b[1];
export const size = (/** @type {Point} */ a) => Math.hypot(a[0], a[1]);

/** Their middle. */
export const mean = (/** @type {Point[]} */ points) => /** @type {Point} */ ([0, 1].map(i => points.reduce((sum, point) => sum + point[i], 0) / points.length));
