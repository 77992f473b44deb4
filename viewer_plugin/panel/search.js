// @ts-check
/** Search over everything the panel can do: its commands, its sections, each structure, each finding. */

import { say, sayable } from './descriptor_fields.js';
import { h } from './dom.js';
import { CHANGEABLE, keyOf } from './keys.js';
import { preferences } from './preferences.js';
import { ordered, sectionsOf } from './walk.js';
import { strings } from './strings.js';

const text = strings.search;
const MOST = 40;
const FIXED_COMMANDS = ['groupNormal', 'clear', 'undo', 'redo'];

/** @typedef {{id: string, name: string, kind: 'command' | 'section' | 'structure' | 'finding' | 'phrase', key: string, more: string, also?: string}} Entry `also`: words that find it and are not shown */

/**
 * Everything that can be sought, in the order shown.
 * @param {import('./types.js').Template} template
 * @param {import('./types.js').Descriptor[]} words that can be said of the chosen structure
 * @param {string} of its name
 * @returns {Entry[]}
 */
export function everything(template, words = [], of = '') {
  const names = [...CHANGEABLE.map(([name]) => name).filter(name => name !== 'search'), ...FIXED_COMMANDS];
  const sections = [...sectionsOf(template), 'conclude'];
  return [
    ...names.map(name => ({ id: name, name: strings.help.commands[name], kind: /** @type {const} */ ('command'), key: keyOf(name), more: '' })),
    ...sections.map(id => ({ id, name: strings.sections[id], kind: /** @type {const} */ ('section'), key: '', more: text.section })),
    ...ordered(template).map(item => ({ id: item.id, name: item.name, kind: /** @type {const} */ ('structure'), key: '', more: `${strings.sides[item.side]}, ${strings.sections[item.section]}`, also: `${item.structure} ${item.region}`.replaceAll('_', ' ') })),
    ...words.map(word => ({ id: word.id, name: word.label, kind: /** @type {const} */ ('finding'), key: '', more: text.finding(of) })),
    ...preferences().phrases.map((phrase, at) => ({ id: String(at), name: `;${phrase.name}`, kind: /** @type {const} */ ('phrase'), key: '', more: `${strings.phrases.kind}: ${phrase.text}` })),
  ];
}

/** Entries with every word, those whose name begins with what was typed first. */
export function found(/** @type {Entry[]} */ entries, /** @type {string} */ words) {
  const wanted = words.trim().toLowerCase();
  const parts = wanted.split(/\s+/).filter(Boolean);
  const fits = entries.filter(entry => parts.every(part => `${entry.name} ${entry.more} ${entry.also ?? ''}`.toLowerCase().includes(part)));
  const begins = entry => Number(!entry.name.toLowerCase().startsWith(wanted));
  return parts.length ? fits.sort((a, b) => begins(a) - begins(b)) : fits;
}

/** @param {any} ctx */
export function searchPage(ctx) {
  const { session } = ctx;
  const { words } = session.sought;
  const all = found(everything(session.template, sayable(session), session.currentItem?.name), words);
  const shown = all.slice(0, MOST);
  const at = Math.min(session.sought.at, shown.length - 1);
  return h('section', { key: 'search', class: 'help seeking', role: 'dialog', 'aria-modal': 'true', 'aria-label': text.title },
    h('div', { class: 'title' }, h('h2', null, text.title), h('button', { class: 'btn', onclick: () => session.update({ help: '' }) }, strings.help.close, h('kbd', null, 'esc'))),
    h('input', {
      type: 'text', role: 'combobox', 'data-help': true, 'aria-label': text.title, 'aria-expanded': 'true', 'aria-controls': 'found', 'aria-autocomplete': 'list',
      'aria-activedescendant': shown.length ? `found-${at}` : undefined, autocomplete: 'off', placeholder: text.hint, '.value': words,
      oninput: event => session.update({ sought: { words: event.target.value, at: 0 } }),
      onkeydown: event => onKey(ctx, event, shown, at),
    }),
    h('p', { class: 'dim', role: 'status' }, all.length ? text.count(all.length, shown.length) : text.none),
    h('div', { id: 'found', class: 'found', role: 'listbox', 'aria-label': text.title }, shown.map((entry, index) =>
      h('div', {
        key: `${entry.kind} ${entry.id}`, id: `found-${index}`, class: 'row', role: 'option', 'aria-selected': String(index === at),
        ref: index === at ? intoView : undefined, onclick: () => go(ctx, entry),
      }, h('span', { class: 'row-name' }, entry.name), h('span', { class: 'dim' }, entry.key ? h('kbd', null, entry.key) : entry.more)))));
}

function intoView(row) {
  requestAnimationFrame(() => row.scrollIntoView({ block: 'nearest', behavior: 'instant' }));
}

function onKey(ctx, event, shown, at) {
  const { session } = ctx;
  const step = { ArrowDown: 1, ArrowUp: -1 }[event.key];
  if (!step && event.key !== 'Enter' && event.key !== 'Escape') return;
  event.preventDefault();
  event.stopPropagation();
  if (event.key === 'Escape') return session.update({ help: '' });
  if (event.key === 'Enter') return shown[at] && go(ctx, shown[at]);
  session.update({ sought: { ...session.sought, at: Math.max(0, Math.min(shown.length - 1, at + (step ?? 0))) } });
}

function go({ session, run, writing }, entry) {
  session.update({ help: '' });
  if (entry.kind === 'command') run({ name: entry.id });
  else if (entry.kind === 'finding') say(session, entry.id);
  else if (entry.kind === 'phrase') writing.fields.insert(preferences().phrases[Number(entry.id)]);
  else if (entry.kind === 'section') session.chooseSection(entry.id);
  else session.choose(entry.id);
}
