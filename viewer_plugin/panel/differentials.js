// @ts-check
/** What it may be, most likely first: the reader's order beside the proposed one. */

import { proposedNames, proposedOrder } from './advice.js';
import { h } from './dom.js';
import { moveDifferential } from './reading.js';
import { strings } from './strings.js';

const text = strings.conclude;

/** @param {any} session */
export function differentials(session) {
  const list = session.reading.differentials;
  if (session.signed && !list.length) return null;
  const put = differentials => session.commit({ ...session.reading, differentials });
  return h('div', { key: 'differentials', class: 'block' }, h('h2', null, text.differentials),
    h('ol', null, list.map((name, i) => entry(session, list, name, i, put))),
    !session.signed && proposal(session, list, put),
    !session.signed && entryField(session, list, put));
}

function entry(session, list, name, i, put) {
  const square = (label, sign, act, off) => h('button', { class: 'btn square', 'aria-label': label, disabled: off, onclick: act }, sign);
  return h('li', { key: `${i} ${name}` }, h('span', null, name),
    !session.signed && h('span', { class: 'tools' },
      square(text.up(name), '↑', () => session.commit(moveDifferential(session.reading, i, -1)), i === 0),
      square(text.down(name), '↓', () => session.commit(moveDifferential(session.reading, i, 1)), i === list.length - 1),
      square(text.removeNamed(name), '×', () => put(list.filter((_, j) => j !== i)), false)));
}

/** Shown only where it differs from what the reader has. */
function proposal(session, list, put) {
  const proposed = proposedNames(session.advice);
  const order = proposedOrder(list, proposed);
  if (!proposed.length || order.every((name, i) => list[i] === name)) return null;
  return h('div', { key: 'proposed', class: 'proposed' },
    h('p', null, h('span', { class: 'dim' }, text.proposed, ' '),
      proposed.map((name, i) => [i > 0 && h('span', { key: `then ${i}`, class: 'dim' }, ' › '), list.includes(name)
        ? h('span', { key: name }, name)
        : h('button', { key: name, class: 'link', 'aria-label': text.addNamed(name), onclick: () => put([...list, name]) }, `+ ${name}`)])),
    h('button', { class: 'btn', 'aria-label': text.takeOrder, onclick: () => put(order) }, text.take));
}

function entryField(session, list, put) {
  const add = () => {
    const words = (session.drafts.differential ?? '').trim();
    session.update({ drafts: { ...session.drafts, differential: '' } });
    if (words) put([...list, words]);
  };
  return h('div', { key: 'add', class: 'add' },
    h('input', {
      type: 'text', 'aria-label': text.addDifferential, placeholder: text.addDifferential, maxlength: 500, '.value': session.drafts.differential ?? '',
      oninput: event => session.update({ drafts: { ...session.drafts, differential: event.target.value } }),
      onkeydown: event => event.key === 'Enter' && add(),
    }), h('button', { class: 'btn', onclick: add }, text.add));
}
