// @ts-check
/** The page of phrases: the reader's own list, over the whole panel. */

import { h } from './dom.js';
import { language } from './language.js';
import { quietPhrasing } from './phrasing.js';
import { BLANKS, STARTERS, WHERE, fromFile, merged, toFile, wrongWith } from './phrases.js';
import { prefer, preferences } from './preferences.js';
import { strings } from './strings.js';

const text = strings.phrases;

/** @param {any} ctx */
export function phrasePage(ctx) {
  const { session } = ctx;
  const { phrases } = preferences();
  const { open, said, bad, removed } = session.phrasing;
  return h('section', { key: 'phrases', class: 'help phrases', role: 'dialog', 'aria-modal': 'true', 'aria-label': text.title },
    h('div', { class: 'title' }, h('h2', null, text.title), h('button', { class: 'btn', onclick: () => leave(session) }, strings.help.close, h('kbd', null, 'esc'))),
    h('p', { class: 'dim' }, text.lead),
    h('p', { class: bad ? 'bad' : 'dim', role: 'status' }, said),
    removed && h('div', { key: 'undo', class: 'buttons' }, h('button', { class: 'btn', onclick: () => keep(session, merged(phrases, [removed]), text.kept(removed.name)) }, text.undo)),
    open ? form(session) : [
      h('div', { key: 'new', class: 'buttons' },
        h('button', { class: 'btn primary', 'data-help': true, ref: takeFocus, onclick: () => edit(session, null) }, text.make),
        starters(session, phrases)),
      offered(phrases).length > 0 && h('p', { key: 'hint', class: 'dim' }, text.startersHint),
      h('ul', { key: 'list', class: 'phrase-list' }, phrases.map(phrase => line(session, phrase))),
      !phrases.length && h('p', { key: 'none', class: 'dim' }, text.none),
      files(session, phrases)]);
}

function leave(session) {
  session.update({ help: '', phrasing: quietPhrasing() });
}

function line(session, phrase) {
  return h('li', { key: `${phrase.where} ${phrase.name}` },
    h('div', { class: 'title' }, h('strong', null, `;${phrase.name}`), h('span', { class: 'dim' }, text.wheres[phrase.where])),
    h('p', { class: 'phrase-text' }, phrase.text),
    h('div', { class: 'buttons' },
      h('button', { class: 'link', 'aria-label': text.changeNamed(phrase.name), onclick: () => edit(session, phrase) }, text.change),
      h('button', { class: 'link', 'aria-label': text.removeNamed(phrase.name), onclick: () => keep(session, without(phrase), text.removed(phrase.name), phrase) }, text.remove)));
}

const without = phrase => preferences().phrases.filter(other => other !== phrase);

/** Sentences of ours that somebody without phrases may begin with, marked as such. */
function starters(session, phrases) {
  const missing = offered(phrases);
  return missing.length > 0 && h('button', { key: 'starters', class: 'btn', onclick: () => keep(session, merged(phrases, missing), text.added(missing.length)) }, text.starters(missing.length));
}

/** Only to those who have none of their own. */
function offered(phrases) {
  return phrases.length ? [] : STARTERS[language] ?? STARTERS.en;
}

function edit(session, phrase) {
  session.update({ phrasing: { ...quietPhrasing(), ...phrase, open: true, of: phrase } });
}

/** Called when the field or button comes to the page. */
const takeFocus = element => requestAnimationFrame(() => element.focus());

function form(session) {
  const { phrasing } = session;
  const set = change => session.update({ phrasing: { ...session.phrasing, ...change } });
  return h('form', { key: 'form', class: 'phrase-form', onsubmit: event => { event.preventDefault(); save(session); }, onkeydown: event => onFormKey(session, event) },
    h('label', { class: 'label' }, text.name, h('input', { type: 'text', 'data-no-phrases': true, ref: takeFocus, maxlength: 24, autocomplete: 'off', spellcheck: 'false', '.value': phrasing.name, oninput: event => set({ name: event.target.value.replace(/^;/, '') }) })),
    h('label', { class: 'label' }, text.where, h('select', { 'data-where': true, '.value': phrasing.where, onchange: event => set({ where: event.target.value }) }, WHERE.map(one => h('option', { key: one, value: one }, text.wheres[one])))),
    h('label', { class: 'label' }, text.text, h('textarea', { rows: 5, maxlength: 4000, 'data-no-phrases': true, 'data-phrase-words': true, '.value': phrasing.text, oninput: event => set({ text: event.target.value }) })),
    h('div', { class: 'buttons', role: 'group', 'aria-label': text.blanks }, BLANKS.map(blank => h('button', { key: blank, type: 'button', class: 'chip', onclick: event => blankInto(event, blank, set) }, `{${blank}}`))),
    h('p', { class: 'dim' }, text.blanksHint),
    h('div', { class: 'buttons' }, h('button', { class: 'btn primary' }, text.keep), h('button', { type: 'button', class: 'btn', onclick: () => session.update({ phrasing: quietPhrasing() }) }, text.cancel)));
}

/** Escape leaves the form, not the page. */
function onFormKey(session, event) {
  if (event.key !== 'Escape') return;
  event.stopPropagation();
  session.update({ phrasing: quietPhrasing() });
}

function blankInto(event, blank, set) {
  const words = event.target.closest('form').querySelector('[data-phrase-words]');
  words.setRangeText(`{${blank}}`, words.selectionStart, words.selectionEnd, 'end');
  set({ text: words.value });
  words.focus();
}

function save(session) {
  const { of, name, where, text: words } = session.phrasing;
  const phrase = { name: name.trim(), where, text: words.trim() };
  const others = preferences().phrases.filter(other => other !== of);
  const wrong = wrongWith(phrase, others);
  if (wrong) return session.update({ phrasing: { ...session.phrasing, said: text.wrong[wrong], bad: true } });
  keep(session, merged(others, [phrase]), text.kept(phrase.name));
}

/** They count at once; that the node is away is said when it is known. */
async function keep(session, phrases, said, removed = null) {
  const kept = prefer({ phrases });
  session.update({ phrasing: { ...quietPhrasing(), said, removed } });
  if (!(await kept)) session.update({ phrasing: { ...session.phrasing, said: `${said} ${strings.notKept}` } });
}

function files(session, phrases) {
  return h('div', { key: 'files', class: 'buttons' },
    h('button', { class: 'btn', disabled: !phrases.length, onclick: () => download(phrases) }, text.toFile),
    h('label', { class: 'btn file' }, text.fromFile, h('input', { type: 'file', accept: '.json,application/json', onchange: event => take(session, event.target) })));
}

function download(phrases) {
  const url = URL.createObjectURL(new Blob([toFile(phrases)], { type: 'application/json' }));
  Object.assign(document.createElement('a'), { href: url, download: 'phrases.json' }).click();
  setTimeout(() => URL.revokeObjectURL(url), 1000);
}

async function take(session, input) {
  const [file] = input.files;
  if (!file) return;
  const found = file.size < 4e6 ? fromFile(await file.text()) : null;
  input.value = '';
  if (!found) return session.update({ phrasing: { ...quietPhrasing(), said: text.noFile(file.name), bad: true } });
  const all = merged(preferences().phrases, found);
  if (all.length > 500) return session.update({ phrasing: { ...quietPhrasing(), said: text.tooMany, bad: true } });
  keep(session, all, text.added(found.length));
}
