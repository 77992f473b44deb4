// @ts-check
/** The way through the search pattern: what is asked, what is answered, what comes next. */

import { askedViews, observation, openCrossChecks } from './reading.js';

/** @typedef {import('./types.js').Template} Template */
/** @typedef {import('./types.js').Reading} Reading */

/** The sections in the order of this site; one that the order forgets comes last. @returns {string[]} */
export function sectionsOf(/** @type {Template} */ template) {
  return [...new Set([...template.order, ...template.items.map(item => item.section)])];
}

/** @returns {import('./types.js').Coverage} */
export function coverage(/** @type {Template} */ template, /** @type {Reading} */ reading) {
  /** @type {Record<string, [number, number]>} */
  const sections = Object.fromEntries(sectionsOf(template).map(section => [section, [0, 0]]));
  for (const item of template.items) {
    const count = (sections[item.section] ??= [0, 0]);
    for (const view of askedViews(template, item)) {
      count[1] += 1;
      if (observation(reading, item.id, view.uid)) count[0] += 1;
    }
  }
  const total = Object.values(sections).reduce((sum, c) => [sum[0] + c[0], sum[1] + c[1]], [0, 0]);
  return { answered: total[0], asked: total[1], sections };
}

/** Views of the item that nobody has answered. */
export function openViews(/** @type {Template} */ template, /** @type {Reading} */ reading, item) {
  return askedViews(template, item).filter(view => !observation(reading, item.id, view.uid));
}

/** Findings with a cross-check still open, as [finding, view UID] pairs. */
export function openChecks(/** @type {Template} */ template, /** @type {Reading} */ reading) {
  return reading.findings.flatMap(finding =>
    openCrossChecks(template, finding).map(uid => /** @type {[any, string]} */ ([finding, uid]))
  );
}

/** All items in the order of the search pattern. */
export function ordered(/** @type {Template} */ template) {
  return sectionsOf(template).flatMap(section => template.items.filter(item => item.section === section));
}

/**
 * The next item with an open view after `from`, through all sections and round again.
 * @returns {import('./types.js').Item | null} null when nothing is open
 */
export function nextOpen(/** @type {Template} */ template, /** @type {Reading} */ reading, /** @type {string} */ from) {
  const items = ordered(template);
  const start = items.findIndex(item => item.id === from);
  for (let step = 1; step <= items.length; step += 1) {
    const item = items[(start + step) % items.length];
    if (openViews(template, reading, item).length) return item;
  }
  return null;
}

/** The neighbour of `from` in the search pattern, or null at the end. */
export function neighbour(/** @type {Template} */ template, /** @type {string} */ from, /** @type {number} */ step) {
  const items = ordered(template);
  return items[items.findIndex(item => item.id === from) + step] ?? null;
}
