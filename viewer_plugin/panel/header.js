// @ts-check
/** The top of the panel: who, what, why, what does not fit, and whether all is saved. */

import { beforeLine } from './before.js';
import { keepMine, loadTheirs } from './conflict.js';
import { h } from './dom.js';
import { doubt, imageRows } from './images.js';
import { coverage, sectionsOf } from './walk.js';
import { lower, strings } from './strings.js';

/** "dog, 3 y 2 mo, female neutered" */
export function signalment(s) {
  const age = ageText(s.age_months);
  const sex = strings.sex[s.sex] ?? '';
  const neutered = s.neutered === null || s.neutered === undefined ? '' : s.neutered ? strings.neutered : strings.intact;
  return [strings.species[s.species] ?? s.species ?? s.species_text, s.breed, age, `${sex} ${neutered}`.trim()].filter(Boolean).join(', ');
}

/** Months below a year, years and months below five, then years. */
export function ageText(months) {
  if (months === null || months === undefined) return '';
  const whole = Math.floor(months);
  if (whole < 12) return strings.age.months(whole);
  const years = Math.floor(whole / 12);
  const rest = whole % 12;
  return [strings.age.years(years), rest && years < 5 && strings.age.months(rest)].filter(Boolean).join(' ');
}

/** Person names are shown as people write them, not as DICOM does. */
export function personName(name) {
  const [family = '', given = '', middle = '', prefix = '', suffix = ''] = (name ?? '').split('=')[0].split('^');
  return [prefix, given, middle, family, suffix].filter(Boolean).join(' ');
}

/** "Right carpus and manus" for each side. */
export function regionText(template) {
  const sides = [...new Set(template.views.map(view => view.side))];
  const words = [...template.regions].map(r => r.replaceAll('_', ' '));
  const regions = words.length > 1 ? `${words.slice(0, -1).join(', ')}${strings.and}${words.at(-1)}` : words[0] ?? '';
  const [first = '', ...others] = sides.map(side => strings.sides[side]);
  return `${[first, ...others.map(side => lower(side))].join(strings.and)} ${regions}`.trim();
}

export function clockTime(iso) {
  const date = new Date(iso);
  return Number.isNaN(date.getTime()) ? '' : date.toLocaleTimeString('en-GB');
}

/** "2026-11-25 17:10", where the reader is. */
export function localDateTime(iso) {
  const date = new Date(iso);
  if (Number.isNaN(date.getTime())) return '';
  const two = n => String(n).padStart(2, '0');
  return `${date.getFullYear()}-${two(date.getMonth() + 1)}-${two(date.getDate())} ${two(date.getHours())}:${two(date.getMinutes())}`;
}

/** @param {{session: import('./session.js').Session}} ctx */
export function header(ctx) {
  const { session } = ctx;
  const { facts, template } = session.opening;
  const name = personName(facts.signalment.patient_name) || strings.unnamed;
  const who = [personName(session.opening.reader_name) || session.opening.reader, facts.study_date && dateText(facts.study_date)].filter(Boolean);
  return h('header', { key: 'header' },
    h('div', { class: 'title' }, h('h1', null, name), saveState(session)),
    h('p', { class: 'animal' }, signalment(facts.signalment)),
    h('p', { class: 'study' }, h('strong', null, regionText(template)), who.map(one => [' ', h('span', { key: one, class: 'dim together' }, `· ${one}`)])),
    facts.question
      ? h('p', { class: 'question' }, `“${facts.question}”`)
      : h('p', { class: 'question dim' }, strings.noQuestion),
    imageRows(ctx),
    beforeLine(ctx),
    remarks(facts, template));
}

function dateText(da) {
  return /^\d{8}$/.test(da) ? `${da.slice(0, 4)}-${da.slice(4, 6)}-${da.slice(6)}` : da;
}

/** What does not fit in this study, as the list counts it; apart from it what no films can tell. */
function remarks(facts, template) {
  const { cautions } = template;
  const [first, ...rest] = facts.remarks.map(r => ({ text: r.text, warning: r.severity === 'warning' })).sort((a, b) => Number(b.warning) - Number(a.warning));
  if (!first && !cautions.length) return null;
  const line = r => h('li', { class: r.warning ? 'warning' : 'note-line' }, h('span', { class: 'mark', 'aria-hidden': 'true' }, r.warning ? '▲' : '·'), h('span', null, r.text));
  const folded = (key, title, list) => list.length > 0 && h('details', { key }, h('summary', null, title), h('ul', null, list.map(line)));
  return h('div', { class: 'remarks' },
    first && h('ul', { key: 'first' }, line(first)),
    folded('more', strings.moreRemarks(rest.length), rest),
    folded('cautions', strings.cautions(cautions.length), cautions.map(text => ({ text, warning: false }))));
}

function saveState(session) {
  const { queue } = session;
  if (session.opening.state === 'withdrawn') return h('p', { class: 'save bad' }, strings.withdrawnState);
  if (session.signed) return h('p', { class: 'save' }, strings.signedState);
  const time = queue.savedAt ? ` ${clockTime(queue.savedAt)}` : '';
  const words = queue.state === 'saved' && queue.version === 0 ? strings.save.fresh : strings.save[queue.state];
  const bad = !['saved', 'saving'].includes(queue.state);
  return h('p', { class: bad ? 'save bad' : 'save', role: 'status' },
    bad && h('span', { 'aria-hidden': 'true' }, '▲ '), words, queue.state === 'saved' && time);
}

/** What stands in the way of saving, with what to do; nothing when all is well. */
export function saveTrouble(ctx) {
  const { session } = ctx;
  const { queue } = session;
  if (queue.state === 'conflict') {
    return h('div', { key: 'trouble', class: 'trouble', role: 'alert' },
      h('p', null, h('strong', null, strings.conflict.title), ' ', strings.conflict.text),
      h('div', { class: 'buttons' },
        h('button', { class: 'btn', onclick: () => loadTheirs(session) }, strings.conflict.theirs),
        h('button', { class: 'btn', onclick: () => keepMine(session) }, strings.conflict.mine)));
  }
  if (queue.state === 'signedOut') {
    return h('div', { key: 'trouble', class: 'trouble', role: 'alert' }, h('p', null, strings.signInHint),
      h('div', { class: 'buttons' }, h('a', { class: 'btn', href: '/login', target: '_blank', rel: 'noopener' }, strings.signIn),
        h('button', { class: 'btn', onclick: () => queue.flush() }, strings.retry)));
  }
  if (queue.state === 'waiting' || queue.state === 'refused') {
    return h('div', { key: 'trouble', class: 'trouble', role: 'alert' }, h('p', null, queue.state === 'waiting' ? `${queue.reason} ${strings.save.goOn}` : `${strings.save.refused} – ${queue.reason} ${strings.save.kept}`),
      h('div', { class: 'buttons' }, h('button', { class: 'btn', onclick: () => queue.flush() }, strings.retry)));
  }
  return null;
}

/** The sections with answered and asked; the last one is the conclusion. */
export function sectionNav(ctx) {
  const { session } = ctx;
  const counts = coverage(session.template, session.reading).sections;
  // Open observations are counted in their own sections already.
  const blocking = session.gaps.filter(gap => gap.blocking && gap.kind !== 'open_observation').length;
  const tab = (id, count, done) => h('button', {
    key: id, class: done ? 'tab done' : 'tab', 'aria-current': session.section === id ? 'page' : undefined,
    onclick: () => session.chooseSection(id),
  }, h('span', { class: 'count' }, count), h('span', { class: 'name' }, strings.sections[id]));
  return h('nav', { key: 'nav', 'aria-label': strings.sectionsLabel },
    sectionsOf(session.template).map(id => {
      const [answered, asked] = counts[id] ?? [0, 0];
      return tab(id, asked ? `${answered}/${asked}` : '–', asked > 0 && answered === asked);
    }),
    tab('conclude', session.signed ? '' : blocking ? String(blocking) : '–', session.signed));
}

/** More images than these are not all offered at once. */
const CHIPS = 8;

/** Views that are not on the screen can be brought there; shown only when there are such. */
export function imageStrip(ctx) {
  const { session, host } = ctx;
  const shown = new Set(host.images().map(image => image.uid));
  const all = session.template.views;
  // While one limb is read, only its images are offered.
  const views = !session.walking ? all : all.filter(view => [session.side, 'B'].includes(view.side));
  const unsure = new Set(session.opening.facts.images.filter(doubt).map(image => image.uid));
  if (!shown.size || views.every(view => shown.has(view.uid))) return null;
  const chip = view => h('button', {
    key: view.uid, class: 'chip', 'aria-pressed': String(shown.has(view.uid)),
    'aria-label': strings.images.show(view.label), onclick: () => host.show([view.uid]),
  }, unsure.has(view.uid) ? `${view.label} ?` : view.label);
  const few = views.length <= CHIPS;
  const here = few ? views : views.filter(view => shown.has(view.uid));
  const rest = few ? [] : views.filter(view => !shown.has(view.uid));
  return h('div', { key: 'strip', class: 'strip', role: 'group', 'aria-label': strings.images.title }, here.map(chip),
    rest.length > 0 && h('details', { key: 'more', class: 'more-images' }, h('summary', null, strings.images.more(rest.length)), h('div', { class: 'chips' }, rest.map(chip))));
}
