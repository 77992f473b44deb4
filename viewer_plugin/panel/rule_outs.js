// @ts-check
/** Conditions to rule in or out: the reader's verdict beside what the rules propose. */

import { agrees, takeOver } from './advice.js';
import { h } from './dom.js';
import { certaintyLine } from './item_card.js';
import { grade } from './lesion.js';
import { findingName, reference } from './names.js';
import { changeRuleOut } from './reading.js';
import { strings } from './strings.js';

const text = strings.conclude;
const REFS_SHOWN = 3;

/** @param {any} session */
export function ruleOuts(session) {
  // In a signed report stands what was decided; what nobody took over is not part of it.
  const rows = listed(session).filter(row => !session.signed || session.reading.rule_outs.some(r => r.id === row.id));
  if (session.signed && !rows.length) return null;
  const raised = rows.filter(row => row.raised);
  const found = rows.filter(row => !row.raised);
  const open = raised.filter(row => !session.reading.rule_outs.some(r => r.id === row.id)).length;
  return h('div', { key: 'ruleouts', class: 'block' },
    h('div', { class: 'title' }, h('h2', null, text.ruleOuts), open > 0 && h('span', { class: 'dim' }, text.withoutVerdict(open))),
    !raised.length && !session.signed && h('p', { class: 'dim' }, text.noRuleOuts),
    raised.map(row => ruleOut(session, row)),
    found.length > 0 && h('h3', { key: 'also', class: 'also' }, text.alsoRaised),
    found.map(row => ruleOut(session, row)));
}

/** What the study raises, the strongest proposal first; then what only findings raise. */
function listed(session) {
  const { proposals } = session.advice;
  const candidates = new Map(session.template.rule_outs.map(c => [c.id, c]));
  const proposed = proposals.map(p => ({ id: p.condition, name: p.name, proposal: p, candidate: candidates.get(p.condition), raised: candidates.has(p.condition) }));
  const known = new Set(proposed.map(row => row.id));
  const rest = [...candidates.values()].filter(c => !known.has(c.id)).map(c => ({ id: c.id, name: c.name, proposal: null, candidate: c, raised: true }));
  // A verdict stays in sight although what raised its condition has gone.
  const said = session.reading.rule_outs
    .filter(r => !known.has(r.id) && !candidates.has(r.id))
    .map(r => ({ id: r.id, name: r.id.replaceAll('_', ' '), proposal: null, candidate: undefined, raised: false }));
  return [...proposed, ...rest, ...said];
}

function ruleOut(session, row) {
  const said = session.reading.rule_outs.find(r => r.id === row.id);
  const put = change => session.commit(changeRuleOut(session.reading, row.id, change));
  return h('div', { key: row.id, class: 'rule-out' },
    h('label', { class: 'verdict' }, h('span', { class: 'sentence' }, row.name),
      h('select', { disabled: session.signed, '.value': said?.verdict ?? '', onchange: event => put({ verdict: event.target.value }) },
        Object.entries(text.verdicts).map(([value, label]) => h('option', { value, key: value || 'none' }, label)))),
    row.proposal ? proposed(session, row) : row.candidate && h('p', { class: 'dim' }, row.candidate.why),
    said && evidence(session, said, put),
    !row.proposal && row.candidate && limits(row.candidate.limits, row.candidate.next_steps));
}

function proposed(session, row) {
  const { proposal } = row;
  const same = agrees(session.reading, proposal);
  const telling = proposal.verdict !== 'cannot_assess';
  return h('div', { key: 'proposed', class: 'proposed' },
    h('p', null, h('span', { class: 'dim' }, same ? text.asProposed : text.proposed, ' '), h('span', { class: telling ? 'words' : '' }, proposal.words), ' ', grade(proposal.grade)),
    reasons(session, row),
    !same && !session.signed && h('button', {
      class: telling ? 'btn' : 'link', 'data-take': true, 'aria-label': text.takeNamed(proposal.name, proposal.words),
      onclick: () => session.commit(takeOver(session.reading, proposal)),
    }, text.take));
}

function reasons(session, { proposal, candidate }) {
  const [pro, contra] = [proposal.evidence_for, proposal.evidence_against];
  return h('details', { key: 'reasons' }, h('summary', null, text.reasons(pro.length, contra.length)),
    h('div', { class: 'reasons' },
      h('p', { class: 'dim' }, proposal.why),
      signs(session, text.pro, pro), signs(session, text.contra, contra),
      part(text.limits, proposal.limits), part(text.steps, candidate?.next_steps ?? [])));
}

function signs(session, title, list) {
  return list.length > 0 && h('div', { key: title }, h('h3', null, title),
    h('ul', { class: 'signs' }, list.map((one, i) => h('li', { key: `${i} ${one.says}` },
      h('p', null, one.says, ' ', h('span', { class: 'dim' }, [text.weights[one.weight], one.certainty].filter(Boolean).join('; ')), ' ', grade(one.grade)),
      references(session, one.refs)))));
}

/** Links to what the evidence rests on; a long row of normal structures is cut. */
function references(session, refs) {
  const found = refs.map(id => ({ id, ref: reference(session, id) })).filter(one => one.ref);
  const rest = found.length - REFS_SHOWN;
  return h('p', { class: 'refs' },
    found.slice(0, REFS_SHOWN).map(({ id, ref }) => h('button', { key: id, class: 'link', onclick: ref.go }, ref.name)),
    rest > 0 && h('span', { key: 'rest', class: 'dim' }, text.moreRefs(rest)));
}

function part(title, lines) {
  return lines.length > 0 && h('div', { key: title }, h('h3', null, title), lines.map(line => h('p', { class: 'dim', key: line }, line)));
}

function limits(lines, steps) {
  if (!lines.length && !steps.length) return null;
  return h('details', { key: 'limits' }, h('summary', null, text.limitsAndSteps), h('div', { class: 'reasons' }, part(text.limits, lines), part(text.steps, steps)));
}

function evidence(session, said, put) {
  const box = (id, label, more) => h('label', { key: id, class: 'evidence' },
    h('input', {
      type: 'checkbox', '.checked': said.evidence.includes(id), disabled: session.signed,
      onchange: event => put({ evidence: event.target.checked ? [...said.evidence, id] : said.evidence.filter(e => e !== id) }),
    }), h('span', null, label, more));
  const normals = session.template.items.filter(item => {
    const values = Object.values(session.reading.observations[item.id] ?? {});
    return values.length && values.every(o => o.value === 'normal' || o.value === 'variant');
  });
  const chosen = normals.filter(item => said.evidence.includes(item.id)).length;
  return h('fieldset', { key: 'evidence', class: 'evidences' }, h('legend', null, text.evidence),
    session.reading.findings.map(finding => box(finding.id, findingName(session, finding), certaintyLine(session, finding))),
    !session.reading.findings.length && h('p', { class: 'dim' }, text.noEvidence),
    normals.length > 0 && h('details', null, h('summary', null, text.normals(chosen, normals.length)), normals.map(item => box(item.id, item.name))));
}
