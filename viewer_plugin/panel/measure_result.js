// @ts-check
/** What the node answered: numbers first, the word second, why to doubt, beside what is published. */

import { changeBlock } from './change_block.js';
import { h } from './dom.js';
import { headline, numberText } from './numbers.js';
import { barPlot, curvePlot, publishedPlot } from './plots.js';
import { inWords, numberName, whom } from './said.js';
import { strings } from './strings.js';

const text = strings.measuring;

/** @param {any} ctx */
export function results({ session }) {
  const { measuring } = session;
  const { result, offer } = measuring;
  const say = words => inWords(words, result?.said);
  if (!result) return null;
  const stale = measuring.stage === 'working' ? ' stale' : '';
  if (result.refusal) return doubts(result); // Why it was refused stands above the buttons.
  return h('div', { key: 'result', class: `result${stale}` },
    numbers(result),
    result.word && h('p', { key: 'word', class: 'word' }, h('strong', null, say(result.word)), ` – ${say(result.why)}`),
    doubts(result),
    h('p', { key: 'how', class: 'dim small' }, [say(result.calibration), text.by(result.method, result.version)].filter(Boolean).join(' · ')),
    published(result, offer),
    changeBlock(session, measuring.asMeasurement()),
    plots(result, result.profiles),
    beside(session, { ...result, name: offer.name }));
}

/** The table of the numbers; the first one is the answer. */
export function numbers(result) {
  const { kind, numbers: all } = result;
  const first = headline(kind, all);
  const list = [first, ...all.filter(number => number !== first)];
  return h('table', { key: 'numbers', class: 'numbers' }, h('caption', { class: 'hidden' }, text.numbers),
    h('tbody', null, list.map((number, i) => h('tr', { key: number.id, class: i ? '' : 'first' },
      h('th', { scope: 'row' }, h('span', { class: 'sentence' }, numberName(result, number))), h('td', null, number.bound && `${text.bounds[number.bound]} `, h('span', { class: number.unit.includes(' ') ? '' : 'whole' }, numberText({ ...number, bound: '' })))))));
}

function doubts({ doubts: list, said }) {
  return list.length > 0 && h('div', { key: 'doubts', class: 'doubts' }, h('h3', null, text.doubts),
    h('ul', null, list.map(doubt => h('li', { key: doubt }, h('span', { class: 'sentence' }, inWords(doubt, said))))));
}

/** Published values of this species, those of animals like this one first; each with source and grade. */
function published(result, offer) {
  const order = ['fits', 'unknown', 'other'];
  const refs = [...(offer?.published ?? [])].sort((a, b) => order.indexOf(a.fit) - order.indexOf(b.fit));
  if (!refs.length) return null;
  const first = result.numbers[0];
  return h('div', { key: 'published', class: 'published' }, h('h3', null, text.published),
    result.kind === 'limb_measurement' && result.why && h('p', { class: 'small sentence' }, inWords(result.why, result.said)),
    publishedPlot(first, refs.filter(ref => ref.fit !== 'other')),
    h('ul', null, refs.map((ref, i) => h('li', { key: `${ref.source} ${i}`, class: ref.grade === 'V' && ref.fit !== 'other' ? '' : 'weak' },
      h('span', { class: 'number' }, refText(ref)), ' ', whom(ref.population), ref.population && ' ',
      text.fits[ref.fit] && h('span', { class: 'tag' }, text.fits[ref.fit]), ' ',
      h('span', { class: 'source' }, `${ref.source} (${strings.grades[ref.grade]})`),
      ref.note && h('span', { class: 'source' }, ` – ${whom(ref.note)}`)))));
}

/** "94.2 ± 3.1°", or a range where no mean is published. */
export function refText({ mean, sd, lo, hi, unit }) {
  const shown = unit === 'deg' ? '°' : unit && unit !== 'ratio' ? ` ${unit}` : '';
  if (mean !== null) return `${mean}${sd ? ` ± ${sd}` : ''}${shown}`;
  if (lo !== null && hi !== null) return `${lo} – ${hi}${shown}`;
  return text.noValue;
}

/**
 * The curves that a kind of measurement is read from.
 * @param {any} measured with kind, numbers and what its sentences are made of
 * @param {any[]} curves @param {number} [width]
 */
export function plots({ kind, numbers: all, said }, curves, width) {
  const many = { swelling_profile: 2, joint_space: 1, lucent_line: 1 }[kind] ?? 0;
  const shown = curves.slice(0, many).map(curve => ({ ...curve, name: inWords(curve.name, said) }));
  return shown.length > 0 && curvePlot(shown, text.alongs[kind], lengthUnit(shown, all), width);
}

/** The way along a curve is a length, also where the curve itself is of grey values. */
function lengthUnit(curves, all) {
  const { unit } = curves[0];
  return ['mm', 'px'].includes(unit) ? unit : all.find(number => ['mm', 'px'].includes(number.unit))?.unit ?? '';
}

/** The same number elsewhere in this study. */
export function beside(session, { kind, name, numbers: list }) {
  const { measuring } = session;
  const first = list[0];
  const same = session.reading.measurements.filter(m => m.computed?.kind === kind && m.computed.name === name && m.id !== measuring.id && m.unit === first.unit);
  const rows = [
    ...same.map(m => ({ ...m.computed.numbers[0], id: m.id, name: placeName(session, m) })),
    { ...first, id: 'now', name: `${placeName(session, { item: measuring.item, view: measuring.view })} (${text.now})`, now: true },
  ];
  return rows.length > 1 && h('div', { key: 'beside' }, h('h3', null, text.beside), barPlot(rows, numberText));
}

function placeName(session, { item, view }) {
  const known = session.template.items.find(one => one.id === item);
  const label = session.template.views.find(one => one.uid === view)?.label ?? '';
  return [known?.side && known.side !== 'U' ? known.side : '', known?.name ?? item, label].filter(Boolean).join(' ');
}
