// @ts-check
/**
 * What the node proposes, and taking it over. Nothing here is ever set by itself: each function
 * is what one press of the reader does to the reading.
 */

import { changeRuleOut } from './reading.js';

/** @typedef {import('./types.js').Reading} Reading */
/** @typedef {import('./types.js').Proposal} Proposal */

/** @type {import('./types.js').Advice} */
export const NO_ADVICE = { proposals: [], differentials: [], next_steps: [], certainties: {}, aggressiveness: {}, merged: null };

/** The evidence of a proposal that still stands; a finding may have gone since it was made. */
export function evidenceOf(/** @type {Reading} */ reading, /** @type {Proposal} */ proposal) {
  return proposal.evidence.filter(id => reading.findings.some(f => f.id === id) || reading.observations[id]);
}

/** The proposed verdict with its evidence becomes the reader's. @returns {Reading} */
export function takeOver(/** @type {Reading} */ reading, /** @type {Proposal} */ proposal) {
  return changeRuleOut(reading, proposal.condition, { verdict: proposal.verdict, evidence: evidenceOf(reading, proposal) });
}

/** Whether the reader's verdict and its evidence are what is proposed. */
export function agrees(/** @type {Reading} */ reading, /** @type {Proposal} */ proposal) {
  const said = reading.rule_outs.find(r => r.id === proposal.condition);
  return said?.verdict === proposal.verdict && evidenceOf(reading, proposal).every(id => said.evidence.includes(id));
}

/** The proposed differentials by name, most likely first. @returns {string[]} */
export function proposedNames(/** @type {import('./types.js').Advice} */ advice) {
  const names = new Map(advice.proposals.map(p => [p.condition, p.name]));
  return advice.differentials.map(id => names.get(id) ?? id.replaceAll('_', ' '));
}

/** The proposed order, followed by what the reader has added. @returns {string[]} */
export function proposedOrder(/** @type {string[]} */ own, /** @type {string[]} */ proposed) {
  return [...proposed, ...own.filter(name => !proposed.includes(name))];
}

/** The step as a sentence of its own line at the end of the recommendations. @returns {Reading} */
export function addStep(/** @type {Reading} */ reading, /** @type {{name: string}} */ step) {
  if (hasStep(reading, step)) return reading;
  const before = reading.recommendations.trimEnd();
  return { ...reading, recommendations: `${before}${before && '\n'}${step.name}.` };
}

export function hasStep(/** @type {Reading} */ reading, /** @type {{name: string}} */ step) {
  return reading.recommendations.split('\n').some(line => line.trim() === `${step.name}.`);
}

/** The node's text in which the reader's words were kept. @returns {Reading} */
export function takeMerged(/** @type {Reading} */ reading, /** @type {import('./types.js').Merged} */ merged) {
  return { ...reading, findings_text: merged.text, findings_generated: merged.generated };
}

/** The reader's wording stays, and is from now on as new as the node's text. @returns {Reading} */
export function keepWording(/** @type {Reading} */ reading, /** @type {import('./types.js').Merged} */ merged) {
  return { ...reading, findings_generated: merged.generated };
}

/**
 * The merged text in pieces: plain text, and the marks where something came or went.
 * @param {import('./types.js').Merged} merged
 * @returns {{text: string, kind: '' | 'added' | 'removed' | 'both'}[]}
 */
export function pieces(merged) {
  /** @type {{text: string, kind: '' | 'added' | 'removed' | 'both'}[]} */
  const found = [];
  let at = 0;
  for (const mark of [...merged.marks].sort((a, b) => a.start - b.start)) {
    if (mark.start > at) found.push({ text: merged.text.slice(at, mark.start), kind: '' });
    found.push({ text: mark.kind === 'removed' ? mark.text : merged.text.slice(mark.start, mark.end), kind: mark.kind });
    at = Math.max(at, mark.end);
  }
  if (at < merged.text.length) found.push({ text: merged.text.slice(at), kind: '' });
  return found;
}
