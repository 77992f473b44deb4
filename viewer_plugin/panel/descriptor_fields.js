// @ts-check
/** The words of a finding as fields: closed they say what was chosen, one at a time is open. */

import { answer } from './answering.js';
import { h } from './dom.js';
import { fields, matches, offered, toggled } from './fields.js';
import { countUse, habits } from './habits.js';
import { changeFinding } from './reading.js';
import { strings } from './strings.js';

const text = strings.finding;

/** @param {any} session */
export function descriptorFields(session, item, finding) {
  const choices = offered(session.opening.descriptors[item.section] ?? [], item, session.template.species);
  const draft = `search ${finding.id}`;
  const words = session.drafts[draft] ?? '';
  const found = matches(choices, words);
  const press = id => choose(session, finding, choices, id);
  const place = places(session, finding, choices);
  return h('div', { key: 'descriptors', class: 'words', role: 'group', 'aria-label': text.descriptors },
    search(session, draft, found, press),
    words.trim()
      ? results(found, finding, press, session, place)
      : place.all.map(one => fieldBlock(session, one, finding, press, place)));
}

/** All fields, and the one that is open: the reader's choice, at first the first one. */
function places(session, finding, choices) {
  const all = fields(choices, finding.descriptors, habits());
  const mine = session.field.finding === finding.id ? session.field : { finding: finding.id, name: null, hint: '' };
  return { all, open: mine.name ?? all[0]?.name ?? '', hint: mine.hint };
}

function choose(session, finding, choices, id) {
  const descriptors = toggled(choices, finding.descriptors, id);
  const comes = descriptors.includes(id);
  const field = choices.find(d => d.id === id)?.field ?? '';
  const lost = choices.filter(d => finding.descriptors.includes(d.id) && !descriptors.includes(d.id));
  const dependent = lost.filter(d => d.field !== field).length;
  if (comes) countUse(id);
  session.commit(changeFinding(session.reading, finding.id, { descriptors }), dependent ? text.dependent(dependent) : '');
  session.update({ field: { finding: finding.id, name: field, hint: id } });
}

/** The words that can be said of the chosen structure; none where nothing can be entered. */
export function sayable(/** @type {any} */ session) {
  const item = session.currentItem;
  if (!item || !session.view || session.signed || !session.walking) return [];
  return offered(session.opening.descriptors[item.section] ?? [], item, session.template.species);
}

/** Say one word of the chosen structure in the chosen view, which makes it abnormal there. */
export function say(/** @type {any} */ session, /** @type {string} */ id) {
  const choices = sayable(session);
  const here = () => session.reading.findings.find(f => f.item === session.item && f.view === session.view);
  if (here()) session.update({ editing: here().id });
  else answer(session, 'abnormal');
  const finding = here();
  if (finding && !finding.descriptors.includes(id)) choose(session, finding, choices, id);
}

function search(session, draft, found, press) {
  const words = session.drafts[draft] ?? '';
  const put = said => session.update({ drafts: { ...session.drafts, [draft]: said } });
  return h('input', {
    key: 'search', type: 'search', class: 'search', placeholder: text.search, 'aria-label': text.search, 'data-field': 'search',
    '.value': words, autocomplete: 'off',
    oninput: event => put(event.target.value),
    onkeydown: event => {
      if (event.key !== 'Enter') return;
      if (!words) return toOpenQuestion(event);
      if (!found.length) return;
      put('');
      press(found[0].id);
    },
  });
}

/** Nothing more to say here: on to what the view at a right angle shows. */
function toOpenQuestion(/** @type {any} */ event) {
  event.preventDefault();
  event.target.closest('.editor')?.querySelector('.question-box.open .segment button')?.focus();
}

function results(found, finding, press, session, place) {
  if (!found.length) return h('p', { key: 'none', class: 'dim' }, text.none);
  const names = [...new Set(found.map(d => d.field))];
  return h('div', { key: 'results', class: 'choice' },
    names.map(name => h('div', { key: name, class: 'chips' },
      h('span', { class: 'group-name' }, name),
      found.filter(d => d.field === name).map(d => chip(d, finding, press, session, d === found[0])))),
    note(found, place.hint));
}

function fieldBlock(session, one, finding, press, place) {
  const open = place.open === one.name;
  const said = one.chosen.map(d => d.label).join(', ');
  const label = [one.name, said || text.nothingChosen].join(': ');
  return h('div', { key: `field ${one.name}`, class: `field${open ? ' open' : ''}${one.depth ? ' below' : ''}`, role: 'group', 'aria-label': one.name },
    h('button', {
      class: 'field-head', 'aria-expanded': String(open), 'aria-label': label,
      onclick: () => session.update({ field: { finding: finding.id, name: open ? '' : one.name, hint: '' } }),
    },
    h('span', { class: 'field-name' }, one.name),
    !open && said && h('span', { class: 'field-said' }, said),
    one.chosen.length > 0 && h('span', { class: 'badge' }, String(one.chosen.length)),
    open && one.exclusive && one.choices.length > 1 && h('span', { class: 'dim' }, text.oneOf)),
    open && h('div', { key: 'chips', class: one.exclusive ? 'chips one' : 'chips' }, one.choices.map(d => chip(d, finding, press, session))),
    open && note(one.choices, place.hint));
}

function chip(d, finding, press, session, first = false) {
  const say = () => session.update({ field: { ...session.field, finding: finding.id, name: session.field.finding === finding.id ? session.field.name : null, hint: d.id } });
  return h('button', {
    key: d.id, class: first ? 'chip first' : 'chip', 'aria-pressed': String(finding.descriptors.includes(d.id)),
    'aria-describedby': d.note ? `note-${d.id}` : undefined,
    onclick: () => press(d.id), onmouseenter: d.note ? say : undefined, onfocus: d.note ? say : undefined,
  }, d.label);
}

/**
 * The note of the word that the pointer or the focus is on, in a place kept free for it so that
 * nothing jumps. All notes are in the document, for who hears them.
 */
function note(choices, hint) {
  const noted = choices.filter(d => d.note);
  if (!noted.length) return null;
  const now = noted.find(d => d.id === hint);
  return h('div', { key: 'note', class: 'word-note' },
    h('p', { 'aria-hidden': 'true' }, now ? now.note : text.noteOf),
    noted.map(d => h('span', { key: d.id, id: `note-${d.id}`, hidden: true }, d.note)));
}
