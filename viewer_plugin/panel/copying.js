// @ts-check
/** Takes the description of an earlier finding over to today's images; pure. */

import { changeFinding, setObservation, withFinding } from './reading.js';

/** @typedef {import('./types.js').PriorFinding} PriorFinding */

/** The view of today that an earlier finding belongs to; null: none shows the item. */
export function viewFor(template, item, /** @type {PriorFinding} */ prior) {
  const asked = template.views.filter(view => (item.visibility[view.uid] ?? 'no') !== 'no');
  return asked.find(view => view.label === prior.view) ?? asked.find(view => view.view === prior.view) ?? asked[0] ?? null;
}

/** Whether the item has a finding in that view already: it is never written over. */
export function described(reading, item, view) {
  return reading.findings.some(f => f.item === item.id && f.view === view.uid);
}

/**
 * The reading with the earlier description on today's view; its cross-check stays to be answered.
 * @param {Set<string>} known ids of the descriptors that are offered for the item's section
 * @returns {{reading: import('./types.js').Reading, finding: string, left: string[]}}
 *   left: descriptors that are not offered any more
 */
export function copyFinding(template, reading, item, view, /** @type {PriorFinding} */ prior, known) {
  const note = reading.observations[item.id]?.[view.uid]?.note ?? '';
  const abnormal = setObservation(reading, item.id, view.uid, { value: 'abnormal', note });
  const made = withFinding(template, abnormal, item, view.uid);
  const change = {
    descriptors: prior.descriptors.filter(id => known.has(id)),
    severity: prior.severity, aggressiveness: prior.aggressiveness, note: prior.note, copied_from: prior.report,
  };
  return {
    reading: changeFinding(made.reading, made.finding.id, change),
    finding: made.finding.id,
    left: prior.descriptors.filter(id => !known.has(id)),
  };
}
