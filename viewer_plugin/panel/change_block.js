// @ts-check
/** At a measurement: the same before and on the other limb, what differs, and whether it counts. */

import { comparable, isTold, withStatement } from './changes.js';
import { h } from './dom.js';
import { numberText } from './numbers.js';
import { timePlot } from './plots.js';
import { putMeasurement } from './reading.js';
import { inWords, numberName } from './said.js';
import { lower, strings } from './strings.js';

const text = strings.changes;
const MOST_SHOWN = 4;

/**
 * @param {import('./session.js').Session} session
 * @param {any} measurement as it stands in the reading, or would if it were accepted
 */
export function changeBlock(session, measurement) {
  const answer = changesOf(session, measurement);
  if (!answer) return null;
  if (answer.error) return h('p', { key: 'change', class: 'dim small' }, `${text.notAsked} ${answer.error}`);
  if (!answer.against.length) return null;
  const kept = session.reading.measurements.some(m => m.id === measurement.id);
  return h('div', { key: 'change', class: 'changed', role: 'group', 'aria-label': text.title },
    h('h3', null, text.title),
    answer.against.slice(0, MOST_SHOWN).map((one, i) => against(session, measurement, one, i, kept)),
    answer.against.length > MOST_SHOWN && h('p', { key: 'more', class: 'dim small' }, text.more(answer.against.length - MOST_SHOWN)),
    overTime(answer.series[0] && { ...answer.series[0], name: curveName(answer.series[0], measurement.computed) }));
}

/** Today's word for the number: an earlier one has the name that its document gave it. */
function curveName({ id, name }, computed) {
  const same = computed?.numbers.find(number => number.id === id);
  return same ? numberName(computed, same) : name;
}

/** The node's answer; null when there is nothing to compare with, or not yet. */
export function changesOf(session, measurement) {
  if (!comparable(session) || !(measurement.value || measurement.calibration)) return null;
  return session.changes.of(measurement);
}

function against(session, measurement, one, index, kept) {
  const change = one.compared.changes[0];
  const name = sourceName(one);
  if (!change) return h('p', { key: `${index}`, class: 'small dim' }, h('strong', null, name), ` ${inWords(one.compared.refusal, one.compared.said)}`);
  const verdict = change.real === null ? 'unknown' : change.real ? 'real' : 'none';
  const told = isTold(measurement.note ?? '', one.words);
  const tell = () => session.commit(putMeasurement(session.reading, { ...measurement, note: withStatement(measurement.note ?? '', one.words) }), told ? text.takenOut : text.put);
  return h('div', { key: `${index}`, class: `against ${verdict}` },
    h('div', { class: 'title' }, h('strong', null, name), h('span', { class: `verdict ${verdict}` }, text.verdicts[verdict])),
    h('dl', null,
      pair(text.then, amount(change.before, change.unit)), pair(text.now, amount(change.now, change.unit)),
      pair(text.difference, signed(change.difference, change.unit)), pair(text.detectable, change.detectable === null ? '–' : amount(change.detectable, change.unit))),
    verdict === 'unknown' && h('p', { class: 'small' }, h('span', { class: 'sentence' }, inWords(change.words, one.compared.said))),
    one.compared.doubts.length > 0 && h('ul', { class: 'small dim' }, one.compared.doubts.map(doubt => h('li', { key: doubt }, h('span', { class: 'sentence' }, inWords(doubt, one.compared.said))))),
    kept && !session.signed && one.words && h('button', { class: 'link', 'aria-pressed': String(told), title: one.words, onclick: tell }, told ? text.takeOut : text.tell));
}

const pair = (name, value) => h('div', { key: name }, h('dt', null, name), h('dd', null, value));

function amount(value, unit) {
  return numberText({ value, unit });
}

function signed(value, unit) {
  return `${value > 0 ? '+' : value < 0 ? '−' : ''}${numberText({ value: Math.abs(value), unit })}`;
}

/** Where the other measurement is from. */
export function sourceName({ kind, date, side, maker }) {
  if (kind !== 'earlier') return text.otherLimb(lower(strings.sides[side] ?? ''));
  const day = /^\d{8}$/.test(date) ? `${date.slice(0, 4)}-${date.slice(4, 6)}-${date.slice(6)}` : strings.before.noDate;
  return maker ? text.byMaker(day, maker) : day;
}

/** The headline over time, with its 95 % uncertainty; the same as a table for who reads by ear. */
function overTime(curve) {
  if (!curve) return null;
  const unit = curve.unit === 'deg' ? '°' : curve.unit === '1' ? '' : curve.unit;
  const points = curve.points.map(([when, value, error]) => ({ date: when, value, error }));
  return h('div', { key: 'time', class: 'over-time' }, h('p', { class: 'dim small' }, `${curve.name}${unit && `, ${unit}`}`),
    timePlot(points, unit),
    h('details', { key: 'table' }, h('summary', null, text.asTable),
      h('table', { class: 'numbers' }, h('caption', { class: 'hidden' }, text.tableName(curve.name)),
        h('thead', null, h('tr', null, h('th', { scope: 'col' }, text.date), h('th', { scope: 'col' }, text.value))),
        h('tbody', null, points.map(({ date, value, error }, i) => h('tr', { key: `${date} ${i}` },
          h('th', { scope: 'row' }, date), h('td', null, numberText({ value, unit: curve.unit, plus_minus: error }))))))));
}
