// @ts-check
/** From what was seen to what it means: what is open, rule-outs, differentials, steps, texts. */

import { differentials } from './differentials.js';
import { h } from './dom.js';
import { nextSteps } from './next_steps.js';
import { ruleOuts } from './rule_outs.js';
import { signing } from './sign.js';
import { strings } from './strings.js';
import { findingsText, preview, prose } from './texts.js';

const text = strings.conclude;
const GAPS_SHOWN = 3;

/** @param {any} ctx */
export function conclude(ctx) {
  const { session } = ctx;
  return h('section', { key: 'conclude', class: 'conclude', 'aria-label': strings.sections.conclude, tabindex: '-1', 'data-place': 'conclude' },
    session.signed ? signing(ctx) : gapList(session),
    ruleOuts(session),
    differentials(session),
    prose(session, 'impression', 4),
    nextSteps(session),
    prose(session, 'recommendations', 3),
    findingsText(session),
    prose(session, 'history', 2),
    prose(session, 'technique', 2),
    preview(session),
    !session.signed && signing(ctx));
}

function gapList(session) {
  // Rule-outs without a verdict are counted where they are given.
  const gaps = session.gaps.filter(gap => gap.kind !== 'open_rule_out');
  const blocking = gaps.filter(gap => gap.blocking);
  const quiet = gaps.filter(gap => !gap.blocking);
  return h('div', { key: 'gaps', class: 'block' },
    h('h2', null, text.gaps),
    !gaps.length && h('p', { class: 'dim' }, text.noGaps),
    byKind(session, blocking),
    quiet.length > 0 && h('div', { key: 'quiet', class: 'quiet' }, h('h3', null, text.worthALook), byKind(session, quiet)));
}

/** Single questions before the long list of open observations. */
function byKind(session, gaps) {
  const count = kind => gaps.filter(gap => gap.kind === kind).length;
  const kinds = [...new Set(gaps.map(gap => gap.kind))].sort((a, b) => count(a) - count(b));
  return kinds.map(kind => {
    const same = gaps.filter(gap => gap.kind === kind);
    const rest = same.slice(GAPS_SHOWN);
    return h('div', { key: kind }, h('ul', { class: 'gaps' }, same.slice(0, GAPS_SHOWN).map(gap => gapLine(session, gap))),
      rest.length > 0 && h('details', null, h('summary', null, text.moreGaps(rest.length)), h('ul', { class: 'gaps' }, rest.map(gap => gapLine(session, gap)))));
  });
}

function gapLine(session, gap) {
  const go = () => (gap.finding ? session.editFinding(gap.finding) : session.choose(gap.item));
  return h('li', { class: gap.blocking ? 'gap blocking' : 'gap' },
    h('span', { class: 'mark', 'aria-label': gap.blocking ? text.blocking : text.hint, role: 'img' }, gap.blocking ? '▲' : '·'),
    h('span', { class: 'sentence' }, gap.text),
    (gap.item || gap.finding) && h('button', { class: 'link', 'aria-label': `${text.go}: ${gap.text}`, onclick: go }, text.go));
}
