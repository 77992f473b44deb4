// @ts-check
/** Structures that belong together: shown at once, and called normal at once after that. */

import { askedViews, observation, setObservation } from './reading.js';
import { strings } from './strings.js';
import { openViews } from './walk.js';

/** @typedef {import('./types.js').Template} Template */
/** @typedef {import('./types.js').Reading} Reading */
/** @typedef {import('./types.js').Group} Group */

/** An answer that the group's "normal" must not complete: it is about this structure alone. */
const OWN_ANSWERS = ['abnormal', 'undetermined'];

/** @returns {Group | null} the group that an item belongs to */
export function groupOf(/** @type {Template} */ template, /** @type {string} */ item) {
  return template.groups.find(group => group.items.includes(item)) ?? null;
}

/** The sheet of a bird's-eye look: all structures of one section of one side. */
export function eyeSheet(/** @type {string} */ section, /** @type {string} */ side) {
  return `section:${section}:${side}`;
}

/** Whether a sheet is a bird's-eye look. */
export function isEye(/** @type {string} */ sheet) {
  return sheet.startsWith('section:');
}

/** What a sheet shows together: a group of the template, or a whole section. @returns {Group | null} */
export function sheetGroup(/** @type {Template} */ template, /** @type {string} */ sheet) {
  if (!isEye(sheet)) return template.groups.find(group => group.id === sheet) ?? null;
  const [, section, side] = sheet.split(':');
  const items = template.items.filter(item => item.section === section && item.side === side).map(item => item.id);
  return items.length ? { id: sheet, name: strings.group.eye(strings.sections[section]), section, items } : null;
}

/** The items of a group, in the order of the template. */
export function members(/** @type {Template} */ template, /** @type {Group} */ group) {
  return template.items.filter(item => group.items.includes(item.id));
}

/**
 * The reading with more items that the reader has had before their eyes; the same one when
 * nothing is new. Items that the study does not have are left out.
 * @param {Template} template
 * @param {Reading} reading
 * @param {Iterable<string>} ids
 * @returns {Reading}
 */
export function withShown(template, reading, ids) {
  const before = new Set(reading.shown ?? []);
  const known = new Set(template.items.map(item => item.id));
  const more = [...new Set(ids)].filter(id => known.has(id) && !before.has(id));
  return more.length ? { ...reading, shown: [...before, ...more] } : reading;
}

/** Whether the whole group was shown: only then may it be called normal at once. */
export function allShown(/** @type {Reading} */ reading, /** @type {Group} */ group) {
  const shown = new Set(reading.shown ?? []);
  return group.items.every(id => shown.has(id));
}

/** Whether what was said of the item keeps it out of the group's "normal". */
export function standsAlone(/** @type {Reading} */ reading, /** @type {string} */ item) {
  const said = Object.values(reading.observations[item] ?? {});
  return said.some(one => OWN_ANSWERS.includes(one.value)) || reading.findings.some(f => f.item === item);
}

/**
 * What the group's "normal" would answer, as [item, view] pairs: open views that can show a
 * member, of members without an answer of their own.
 * @param {Template} template
 * @param {Reading} reading
 * @param {Group} group
 */
export function groupOpen(template, reading, group) {
  return members(template, group)
    .filter(item => !standsAlone(reading, item.id))
    .flatMap(item => openViews(template, reading, item).map(view => /** @type {const} */ ([item, view])));
}

/**
 * "Normal" on everything of the group that is open; refused (unchanged) before all was shown.
 * @param {Template} template
 * @param {Reading} reading
 * @param {Group} group
 * @returns {Reading}
 */
export function groupNormal(template, reading, group) {
  if (!allShown(reading, group)) return reading;
  return groupOpen(template, reading, group).reduce(
    (next, [item, view]) => setObservation(next, item.id, view.uid, { value: 'normal', note: '', by_group: true }),
    reading
  );
}

/** Answered and asked of some items. @returns {[number, number]} */
export function groupCount(/** @type {Template} */ template, /** @type {Reading} */ reading, items) {
  const asked = items.flatMap(item => askedViews(template, item).map(view => observation(reading, item.id, view.uid)));
  return [asked.filter(Boolean).length, asked.length];
}
