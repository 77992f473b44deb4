// @ts-check
/** What was said and measured of one structure before, greyed beside what is said today. */

import { copyFinding, described, viewFor } from './copying.js';
import { h } from './dom.js';
import { shortLabel } from './map_state.js';
import { outlinesOf } from './outlines.js';
import { computedName, dayText as day, meaningOf, meaningText } from './numbers.js';
import { lower, strings } from './strings.js';

const text = strings.before;
const SHOWN = 3;

/** @param {any} ctx */
export function beforeItem({ session, host }, item) {
  const said = session.priors.observations(item.id);
  const alone = session.priors.measurements(item.id).filter(before => !session.reading.measurements.some(m => m.item === item.id && meaningOf(m) === before.meaning));
  if (!said.length && !alone.length) return null;
  return h('aside', { key: 'before', class: 'known earlier' }, h('h3', null, text.earlier),
    said.slice(0, SHOWN).map(one => earlier(session, host, item, one)),
    said.length > SHOWN && h('p', { key: 'more', class: 'source' }, text.olderReports(said.length - SHOWN)),
    alone.slice(0, SHOWN).map((one, i) => h('p', { key: `then ${i}` }, text.measuredThen(day(one.date), lower(one.own?.computed ? computedName(one.own.computed, strings.measuring.kinds) : meaningText(one.meaning)), one.value.toFixed(1), one.unit === 'deg' ? '°' : ` ${one.unit}`))));
}

function earlier(session, host, item, one) {
  const words = strings.values[one.value] ?? one.value;
  return h('div', { key: `${one.study_uid} ${one.item}`, class: 'then' },
    h('p', null, h('strong', null, day(one.study_date)), ` ${words}`, one.value !== 'normal' && h('span', { class: 'source' }, ` (${Object.keys(one.views).join(', ')})`)),
    one.note && h('p', null, one.note),
    (one.outlines ?? []).map((outline, i) => knownVariant(session, host, item, one, outline, i)),
    one.findings.map((finding, i) => h('div', { key: String(i), class: 'then-finding' }, h('p', null, finding.sentence), copyButton(session, item, finding, one.study_date))));
}

/** A variant that was outlined before; on today's image only when the reader wants it there. */
function knownVariant(session, host, item, one, outline, i) {
  const view = viewFor(session.template, item, /** @type {any} */ (outline));
  const here = view && session.reading.outlines?.some(mine => mine.item === item.id && mine.view === view.uid && mine.name === outline.name);
  return h('div', { key: `ring ${i}`, class: 'then-finding' }, h('p', null, h('span', { class: 'ring', 'aria-hidden': 'true' }), strings.outlines.known(outline.name, day(one.study_date))),
    !session.signed && view && !here && h('button', { class: 'link', 'aria-label': `${strings.outlines.markToday}: ${outline.name}`, onclick: () => outlinesOf(session).open(host, { view: view.uid, name: outline.name }) }, strings.outlines.markToday));
}

function copyButton(session, item, prior, date) {
  const view = viewFor(session.template, item, prior);
  if (session.signed || !view || described(session.reading, item, view)) return null;
  const label = text.copy(shortLabel(view));
  return h('button', { class: 'link', 'aria-label': `${label}: ${prior.sentence}`, onclick: () => copy(session, item, view, prior, day(date)) }, label);
}

function copy(session, item, view, prior, date) {
  const known = new Set((session.opening.descriptors[item.section] ?? []).map(d => d.id));
  const { reading, finding, left } = copyFinding(session.template, session.reading, item, view, prior, known);
  session.commit(reading, left.length ? text.copiedPartly(date, left.length) : text.copied(date));
  session.update({ view: view.uid, editing: finding });
}

/** Where a copied finding comes from. */
export function copiedLine(session, finding) {
  if (!finding.copied_from) return null;
  const date = session.priors.dateOf(finding.copied_from);
  return h('p', { key: 'copied', class: 'source copied' }, date ? text.copiedFrom(day(date)) : text.copiedFromOther);
}
