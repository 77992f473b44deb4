// @ts-check
/** The page of keys: what each does, and a way to give it another one. */

import { dictationChoice } from './dictation_bar.js';
import { h } from './dom.js';
import { CHANGEABLE, FIXED, keyOf, refusal } from './keys.js';
import { languages, themes } from './settings.js';
import { keepOwnKeys, ownKeys } from './own_keys.js';
import { strings } from './strings.js';

const text = strings.help;
const MODIFIERS = ['Shift', 'Control', 'Alt', 'AltGraph', 'Meta', 'CapsLock', 'Dead'];

/** All keys, over the whole panel. */
export function helpPage(ctx) {
  const { session } = ctx;
  const { said, bad } = session.rekeying;
  return h('section', { key: 'help', class: 'help', role: 'dialog', 'aria-modal': 'true', 'aria-label': text.title },
    h('div', { class: 'title' }, h('h2', null, text.title), h('button', { class: 'btn', 'data-help': true, onclick: () => leave(session) }, text.close, h('kbd', null, 'esc'))),
    h('p', { class: 'dim' }, text.change),
    h('p', { class: bad ? 'bad' : 'dim', role: 'status' }, said),
    h('dl', null,
      CHANGEABLE.map(([name]) => h('div', { key: name }, h('dt', null, changer(session, name)), h('dd', null, text.commands[name]))),
      FIXED.map(([name]) => h('div', { key: name }, h('dt', null, h('kbd', null, keyOf(name))), h('dd', null, text.commands[name])))),
    Object.keys(ownKeys()).length > 0 && h('div', { class: 'buttons' }, h('button', { class: 'btn', onclick: () => reset(session) }, text.reset)),
    h('p', { class: 'dim' }, text.hint),
    dictationChoice(session),
    h('div', { class: 'buttons' }, languages(session), themes(session)));
}

function leave(session) {
  session.update({ help: '', rekeying: { name: '', said: '', bad: false } });
}

function changer(session, name) {
  const waiting = session.rekeying.name === name;
  return h('button', {
    class: waiting ? 'key-button waiting' : 'key-button', 'aria-label': waiting ? text.press(text.commands[name]) : text.keyOf(text.commands[name], keyOf(name)),
    onclick: event => {
      event.currentTarget.focus(); // The next key comes here, also after a click.
      session.update({ rekeying: { name, said: text.press(text.commands[name]), bad: false } });
    },
    onkeydown: event => waiting && pressed(session, name, event),
  }, h('kbd', null, waiting ? '…' : keyOf(name)));
}

/** The next key pressed is the new one; Escape and Tab leave it as it was. */
function pressed(session, name, event) {
  if (MODIFIERS.includes(event.key)) return;
  if (event.key === 'Tab') return session.update({ rekeying: { name: '', said: '', bad: false } });
  event.preventDefault();
  event.stopPropagation();
  if (event.key === 'Escape') return session.update({ rekeying: { name: '', said: text.asBefore, bad: false } });
  const key = event.key.toLowerCase();
  const modified = event.ctrlKey || event.metaKey || event.altKey || (key === ' ' && event.shiftKey);
  /** @type {ReturnType<typeof refusal>} */
  const why = modified ? { by: 'unusable' } : refusal(name, key);
  if (why) return session.update({ rekeying: { name, said: text.refused[why.by](event.key, text.commands[why.command ?? '']), bad: true } });
  keepKeys(session, { ...ownKeys(), [name]: key }, () => text.changed(text.commands[name], keyOf(name)));
}

function reset(session) {
  keepKeys(session, {}, () => text.wasReset);
}

/** They count at once; that the node is away is said when it is known. */
async function keepKeys(session, own, words) {
  const kept = keepOwnKeys(own);
  session.update({ rekeying: { name: '', said: words(), bad: false } });
  if (!(await kept)) session.update({ rekeying: { name: '', said: `${words()} ${strings.notKept}`, bad: false } });
}
