// @ts-check
/** The line that says whether the panel listens, and the choice of a language for it. */

import { DICTATION_KEY, SPOKEN } from './dictation.js';
import { h } from './dom.js';
import { prefer, preferences } from './preferences.js';
import { strings } from './strings.js';

const text = strings.dictation;

/** Above the foot of the panel, once dictation was switched on. */
export function dictationBar({ session, writing }) {
  const dictation = writing?.dictation;
  if (!dictation?.on || session.signed) return null;
  const { state, said, heard } = dictation;
  const listens = state === 'listening';
  return h('div', { key: 'dictation', class: listens ? 'dictation listens' : 'dictation' },
    h('button', { class: 'btn', 'data-keeps-field': true, 'aria-pressed': String(listens), onclick: () => dictation.toggle() },
      h('span', { class: 'lamp', 'aria-hidden': 'true' }), listens ? text.stop : text.start, h('kbd', null, DICTATION_KEY)),
    h('p', { role: 'status' }, said || (listens ? heard || text.listening : '')),
    state === 'fetchable' && h('button', { class: 'btn', onclick: () => dictation.fetchLanguage() }, text.fetch));
}

/** Off, or the language that is spoken; on the page of keys. */
export function dictationChoice(session) {
  const choose = dictation => {
    prefer({ dictation });
    session.update();
  };
  return h('div', { key: 'dictation', class: 'choice' },
    h('h3', null, text.title),
    h('div', { class: 'segment', role: 'group', 'aria-label': text.title }, SPOKEN.map(one =>
      h('button', { key: one || 'off', 'aria-pressed': String(one === preferences().dictation), onclick: () => choose(one) }, text.spoken[one]))),
    h('p', { class: 'dim' }, text.lead(DICTATION_KEY)));
}
