// @ts-check
/** From what was seen to what it means: what is open, rule-outs, differentials, texts. */

import { h } from './dom.js';
import { changeRuleOut, moveDifferential } from './reading.js';
import { descriptorNames } from './item_card.js';
import { signing } from './sign.js';
import { strings } from './strings.js';

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
  const kinds = [...new Set(gaps.map(gap => gap.kind))].sort((a, b) => order(gaps, a) - order(gaps, b));
  return h('div', { key: 'gaps', class: 'block' },
    h('h2', null, text.gaps),
    !gaps.length && h('p', { class: 'dim' }, text.noGaps),
    kinds.map(kind => {
      const same = gaps.filter(gap => gap.kind === kind);
      const rest = same.slice(GAPS_SHOWN);
      return h('div', { key: kind }, h('ul', { class: 'gaps' }, same.slice(0, GAPS_SHOWN).map(gap => gapLine(session, gap))),
        rest.length > 0 && h('details', null, h('summary', null, text.moreGaps(rest.length)), h('ul', { class: 'gaps' }, rest.map(gap => gapLine(session, gap)))));
    }));
}

/** What blocks comes first, single questions before the long list of open observations. */
function order(gaps, kind) {
  const first = gaps.find(gap => gap.kind === kind);
  return (first.blocking ? 0 : 1000) + gaps.filter(gap => gap.kind === kind).length;
}

function gapLine(session, gap) {
  const go = () => (gap.finding ? session.editFinding(gap.finding) : session.choose(gap.item));
  return h('li', { class: gap.blocking ? 'gap blocking' : 'gap' },
    h('span', { class: 'mark', 'aria-label': gap.blocking ? text.blocking : text.hint, role: 'img' }, gap.blocking ? '▲' : '·'),
    h('span', { class: 'sentence' }, gap.text),
    gap.item && h('button', { class: 'link', 'aria-label': `${text.go}: ${gap.text}`, onclick: go }, text.go));
}

function ruleOuts(session) {
  const list = session.template.rule_outs;
  const open = list.filter(c => !session.reading.rule_outs.some(r => r.id === c.id)).length;
  return h('div', { key: 'ruleouts', class: 'block' },
    h('div', { class: 'title' }, h('h2', null, text.ruleOuts), open > 0 && h('span', { class: 'dim' }, text.withoutVerdict(open))),
    !list.length && h('p', { class: 'dim' }, text.noRuleOuts),
    list.map(candidate => ruleOut(session, candidate)));
}

function ruleOut(session, candidate) {
  const said = session.reading.rule_outs.find(r => r.id === candidate.id);
  const put = (change, field = '') => session.commit(changeRuleOut(session.reading, candidate.id, change), '', field);
  return h('div', { key: candidate.id, class: 'rule-out' },
    h('label', { class: 'verdict' }, h('span', { class: 'sentence' }, candidate.name),
      h('select', { disabled: session.signed, '.value': said?.verdict ?? '', onchange: event => put({ verdict: event.target.value }) },
        Object.entries(text.verdicts).map(([value, label]) => h('option', { value, key: value || 'none' }, label)))),
    h('p', { class: 'dim' }, candidate.why),
    said && evidence(session, said, put),
    limits(candidate));
}

function limits(candidate) {
  if (!candidate.limits.length && !candidate.next_steps.length) return null;
  const part = (title, lines) => lines.length > 0 && [h('h3', { key: title }, title), lines.map(line => h('p', { class: 'dim', key: line }, line))];
  return h('details', { key: 'limits' }, h('summary', null, text.limitsAndSteps),
    part(text.limits, candidate.limits), part(text.steps, candidate.next_steps));
}

function evidence(session, said, put) {
  const box = (id, label) => h('label', { key: id, class: 'evidence' },
    h('input', {
      type: 'checkbox', '.checked': said.evidence.includes(id), disabled: session.signed,
      onchange: event => put({ evidence: event.target.checked ? [...said.evidence, id] : said.evidence.filter(e => e !== id) }),
    }), h('span', null, label));
  const normals = session.template.items.filter(item => {
    const values = Object.values(session.reading.observations[item.id] ?? {});
    return values.length && values.every(o => o.value === 'normal' || o.value === 'variant');
  });
  return h('fieldset', { class: 'evidences' }, h('legend', null, text.evidence),
    session.reading.findings.map(finding => box(finding.id, findingName(session, finding))),
    !session.reading.findings.length && h('p', { class: 'dim' }, text.noEvidence),
    normals.length > 0 && h('details', null, h('summary', null, text.normals(normals.length)), normals.map(item => box(item.id, item.name))));
}

/** "distal radius, DPa: lysis, new bone" */
export function findingName(session, finding) {
  const item = session.template.items.find(one => one.id === finding.item);
  const view = session.template.views.find(v => v.uid === finding.view);
  const names = item ? descriptorNames(session, item.section, finding) : [];
  return `${item?.name ?? finding.item}, ${view?.label ?? ''}${names.length ? `: ${names.join(', ')}` : ''}`;
}

function differentials(session) {
  const list = session.reading.differentials;
  const put = differentials => session.commit({ ...session.reading, differentials });
  const add = () => {
    const words = (session.drafts.differential ?? '').trim();
    session.update({ drafts: { ...session.drafts, differential: '' } });
    if (words) put([...list, words]);
  };
  const square = (label, sign, act, off) => h('button', { class: 'btn square', 'aria-label': label, disabled: off, onclick: act }, sign);
  return h('div', { key: 'differentials', class: 'block' }, h('h2', null, text.differentials),
    h('ol', null, list.map((name, i) => h('li', { key: `${i} ${name}` }, h('span', null, name),
      !session.signed && h('span', { class: 'tools' },
        square(text.up(name), '↑', () => session.commit(moveDifferential(session.reading, i, -1)), i === 0),
        square(text.down(name), '↓', () => session.commit(moveDifferential(session.reading, i, 1)), i === list.length - 1),
        square(text.removeNamed(name), '×', () => put(list.filter((_, j) => j !== i)), false))))),
    !session.signed && h('div', { class: 'add' },
      h('input', {
        type: 'text', 'aria-label': text.addDifferential, placeholder: text.addDifferential, maxlength: 500, '.value': session.drafts.differential ?? '',
        oninput: event => session.update({ drafts: { ...session.drafts, differential: event.target.value } }),
        onkeydown: event => event.key === 'Enter' && add(),
      }), h('button', { class: 'btn', onclick: add }, text.add)));
}

function prose(session, field, rows) {
  return h('label', { key: field, class: 'block label' }, h('span', { class: 'h2' }, text[field]),
    h('textarea', {
      rows, maxlength: 20000, readonly: session.signed, '.value': session.reading[field],
      oninput: event => session.commit({ ...session.reading, [field]: event.target.value }, '', field),
    }));
}

function findingsText(session) {
  const own = session.reading.findings_text;
  const written = session.preview?.findings_text ?? '';
  const put = value => session.commit({ ...session.reading, findings_text: value }, '', value === null ? '' : 'findings_text');
  return h('div', { key: 'findings', class: 'block' },
    h('div', { class: 'title' }, h('h2', { id: 'findings-title' }, text.findings), h('span', { class: 'dim' }, own === null ? text.written : text.own)),
    own === null
      ? h('p', { class: 'paper', key: 'written' }, written || session.preview?.error || text.previewWait)
      : h('textarea', { key: 'own', rows: 8, maxlength: 60000, readonly: session.signed, 'aria-labelledby': 'findings-title', '.value': own, oninput: event => put(event.target.value) }),
    !session.signed && h('div', { class: 'buttons' }, own === null
      ? h('button', { class: 'btn', key: 'edit', disabled: !written, onclick: () => put(written) }, text.edit)
      : h('button', { class: 'btn', key: 'back', onclick: () => put(null) }, text.back)));
}

function preview(session) {
  return h('details', { key: 'preview', class: 'block' }, h('summary', { class: 'h2' }, text.preview),
    h('p', { class: 'paper' }, session.preview?.text || session.preview?.error || text.previewWait));
}
