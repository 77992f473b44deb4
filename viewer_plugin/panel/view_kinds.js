// @ts-check
/**
 * Many images: those of one kind (the same view taken again) stand together, so that the strips of a
 * shape stay wide enough to be told apart and the card names kinds before images.
 */

import { fills, shortLabel } from './map_state.js';

/** @typedef {import('./types.js').View} View */
/** @typedef {{label: string, views: View[]}} Kind */
/** @typedef {{state: import('./map_state.js').Fill, weight: number}} Part */

/** More strips than these in a shape of the map cannot be told apart at 380 px. */
const MOST = 6;
/** A part is never thinner than this share of its strip: one open image among forty is seen. */
const THINNEST = 0.16;
/** From below: what was said fills the strip, and what has not been looked at is on top. */
const ORDER = ['abnormal', 'undetermined', 'variant', 'normal', 'group', 'blind', 'open'];

const base = (/** @type {View} */ view) => shortLabel(view).replace(/ \(\d+\)$/, '');

/** Each view for itself while they are few; else by kind, and the rarest kinds together. @param {View[]} views @returns {Kind[]} */
export function kindsOf(views) {
  if (views.length <= MOST) return views.map(view => ({ label: shortLabel(view), views: [view] }));
  /** @type {Map<string, View[]>} */
  const found = new Map();
  for (const view of views) found.set(base(view), [...(found.get(base(view)) ?? []), view]);
  const kinds = [...found].map(([label, own]) => ({ label, views: own }));
  if (kinds.length <= MOST) return kinds;
  const kept = new Set([...kinds].sort((a, b) => b.views.length - a.views.length).slice(0, MOST - 1));
  const rest = kinds.filter(kind => !kept.has(kind));
  return [...kinds.filter(kind => kept.has(kind)), { label: '', views: rest.flatMap(kind => kind.views) }];
}

/**
 * The strips of a structure, each with its parts from below. Kinds on which the structure is not
 * asked for at all have none.
 * @param {import('./types.js').Item} item
 * @param {View[]} views
 * @param {import('./types.js').Reading} reading
 * @returns {Part[][]}
 */
export function strips(item, views, reading) {
  return kindsOf(views).map(kind => fills(item, kind.views, reading)).filter(states => states.length).map(parts);
}

/** @param {import('./map_state.js').Fill[]} states @returns {Part[]} weights that add up to 1 */
function parts(states) {
  const found = ORDER.filter(state => states.includes(/** @type {any} */ (state)))
    .map(state => ({ state: /** @type {any} */ (state), weight: Math.max(THINNEST, states.filter(one => one === state).length / states.length) }));
  const all = found.reduce((sum, part) => sum + part.weight, 0);
  return found.map(part => ({ ...part, weight: part.weight / all }));
}

/** How the outline of a structure is drawn. */
export function worst(/** @type {Part[][]} */ all) {
  const has = state => all.some(parts => parts.some(part => part.state === state));
  return has('abnormal') ? ' alarm' : has('open') ? ' waiting' : '';
}
