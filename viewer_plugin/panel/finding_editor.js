// @ts-check
/** Describes one abnormal observation, in place of the item's card. */

import { copiedLine } from './before_item.js';
import { descriptorFields } from './descriptor_fields.js';
import { changeBlock } from './change_block.js';
import { computeButton, computedRow } from './computed_row.js';
import { h } from './dom.js';
import { drawOn } from './drawing_line.js';
import { keyOf } from './keys.js';
import { aggressiveness } from './lesion.js';
import { viewLabel } from './measure_offers.js';
import { computedName, headline, numberText } from './numbers.js';
import { answerCrossCheck, attach, changeFinding, crossViews, dropMeasurement, unattached } from './reading.js';
import { worth } from './said.js';
import { lower, strings } from './strings.js';

const text = strings.finding;

/** @param {any} ctx */
export function findingEditor(ctx) {
  const { session } = ctx;
  const finding = session.reading.findings.find(f => f.id === session.editing);
  const item = finding && session.template.items.find(one => one.id === finding.item);
  if (!finding || !item) return null;
  const view = session.template.views.find(v => v.uid === finding.view);
  return h('section', { key: `editor ${finding.id}`, class: 'card editor', 'aria-label': `${text.title}, ${item.name}` },
    h('div', { class: 'title' }, h('h2', null, item.name), h('button', { class: 'btn', onclick: () => session.update({ editing: '' }) }, text.done, h('kbd', null, 'esc'))),
    h('p', { class: 'code' }, `${strings.values.abnormal} · ${view?.label ?? ''}`),
    copiedLine(session, finding),
    descriptorFields(session, item, finding),
    severity(session, finding),
    aggressiveness(session, item, finding),
    crossCheck(ctx, item, finding),
    measurements(ctx, finding),
    h('label', { class: 'label', key: 'note' }, text.note,
      h('textarea', {
        rows: 2, maxlength: 4000, 'data-text': 'findings', placeholder: text.noteHint, '.value': finding.note, readonly: session.signed,
        oninput: event => put(session, finding, { note: event.target.value }, 'note'),
      })));
}

function put(session, finding, change, field = '') {
  session.commit(changeFinding(session.reading, finding.id, change), '', field && `${field} ${finding.id}`);
}

function severity(session, finding) {
  return h('div', { key: 'severity', class: 'segment', role: 'group', 'aria-label': text.severity },
    Object.entries(text.severities).map(([value, label]) => h('button', {
      key: value || 'none', 'aria-pressed': String(finding.severity === value), onclick: () => put(session, finding, { severity: value }),
    }, label)));
}

function crossCheck(ctx, item, finding) {
  const { session } = ctx;
  const others = crossViews(session.template, item, finding.view);
  return h('div', { key: 'check', class: 'check' },
    h('h3', null, text.check),
    session.advice.certainties[finding.id] && h('p', { class: 'certainty' }, session.advice.certainties[finding.id].words),
    !others.length && h('p', null, text.noView),
    others.map(other => question(ctx, item, finding, other)));
}

function question(ctx, item, finding, other) {
  const { session, host } = ctx;
  const said = finding.cross_check[other.uid];
  const set = value => session.commit(answerCrossCheck(session.reading, item, finding, other.uid, value));
  return h('div', { key: other.uid, class: said ? 'question-box' : 'question-box open', role: 'group', 'aria-label': text.question(other.label) },
    h('p', null, text.question(other.label), ' ', h('button', { class: 'link', 'aria-label': `${text.look}, ${other.label}`, onclick: () => host.show([other.uid]) }, text.look)),
    item.visibility[other.uid] === 'no' && h('p', { class: 'dim' }, text.blind),
    h('div', { class: 'segment' }, Object.entries(text.checks).map(([value, label]) => h('button', {
      key: value, 'aria-pressed': String(said === value), onclick: () => set(said === value ? null : value),
    }, label))));
}

function measurements(ctx, finding) {
  const { session, host } = ctx;
  const mine = session.reading.measurements.filter(m => m.finding === finding.id);
  return h('div', { key: 'measure', class: 'measure' },
    h('h3', null, text.measure),
    h('div', { class: 'buttons' },
      h('button', { class: 'btn', onclick: () => drawOn(session, host, 'length') }, text.length, h('kbd', null, keyOf('length'))),
      h('button', { class: 'btn', onclick: () => drawOn(session, host, 'angle') }, text.angle, h('kbd', null, keyOf('angle'))),
      computeButton(session, finding)),
    mine.length > 0 && measurementList(ctx, mine),
    (!session.signed && loose(session, finding)) || (!mine.length && h('p', { class: 'dim' }, text.noMeasurement)));
}

/** What was measured of the structure before it was called abnormal: of this finding, or not. */
function loose(session, finding) {
  const list = unattached(session.reading, finding);
  return list.length > 0 && h('div', { key: 'loose', class: 'loose' }, h('h3', null, text.loose),
    h('ul', null, list.map(m => h('li', { key: m.id, class: 'loose-row' },
      h('span', null, h('span', { class: 'number' }, measuredText(m)), h('span', { class: 'dim how' }, [measuredName(m), viewLabel(session, m.view)].filter(Boolean).join(' · '))),
      h('button', {
        class: 'btn', 'data-attach': true, 'aria-label': text.attachNamed(`${measuredName(m)} ${measuredText(m)}`),
        onclick: () => session.commit(attach(session.reading, m.id, finding.id)),
      }, text.attach, h('kbd', null, keyOf('takeOver')))))));
}

const measuredName = m => (m.computed ? computedName(m.computed, strings.measuring.kinds) : lower(text[m.kind]));

function measuredText(m) {
  const first = m.computed && headline(m.computed.kind, m.computed.numbers);
  return first ? numberText(first) : valueText(m);
}

/** Measured values with unit and calibration; each can be taken away. */
export function measurementList(ctx, list) {
  const { session, host } = ctx;
  const remove = m => {
    session.commit(dropMeasurement(session.reading, m.id));
    host.removeMeasurement(m.id);
  };
  return h('ul', { class: 'measurements' }, list.map(m => {
    if (m.computed) return computedRow(ctx, m);
    const view = session.template.views.find(v => v.uid === m.view);
    const label = `${text[m.kind]} ${valueText(m)}`;
    return h('li', { key: m.id },
      h('span', { class: 'number' }, valueText(m)),
      h('span', { class: 'dim how' }, [lower(text[m.kind]), view?.label, worth(m.calibration)].filter(Boolean).join(' · ')),
      !session.signed && h('button', { class: 'btn square', 'aria-label': `${text.remove}: ${label}`, onclick: () => remove(m) }, '×'),
      changeBlock(session, m));
  }));
}

/** "8.3 mm", "62.9°", "41 px"; the node works the value out. */
export function valueText(m) {
  if (!m.value && !m.calibration) return text.working;
  if (m.unit === 'deg') return `${m.value.toFixed(1)}°`;
  if (m.unit === '1') return m.value.toFixed(2);
  return m.unit === 'mm' ? `${m.value.toFixed(1)} mm` : `${Math.round(m.value)} px`;
}
