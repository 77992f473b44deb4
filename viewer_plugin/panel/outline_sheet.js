// @ts-check
/** Placing the outline of a normal variant, in place of the structure's card; and its line there. */

import { h } from './dom.js';
import { keyOf } from './keys.js';
import { shortLabel } from './map_state.js';
import { namesFor, outlinesOf } from './outlines.js';
import { strings } from './strings.js';

const text = strings.outlines;
const ARROWS = { ArrowLeft: [-1, 0], ArrowRight: [1, 0], ArrowUp: [0, -1], ArrowDown: [0, 1] };
const PARTS = ['place', 'size', 'turn'];

/** Below the answers of a view: its outlines, and the way to one. */
export function outlineLines({ session, host }, item, view, said) {
  const outlines = outlinesOf(session);
  const mine = outlines.of(item.id, view.uid);
  if (said?.value !== 'variant' || (session.signed && !mine.length)) return null;
  return h('div', { key: 'outlines', class: 'outline-lines' },
    mine.map(one => h('p', { key: one.id, class: 'outline-line' }, h('span', { class: 'ring', 'aria-hidden': 'true' }), h('span', { class: 'sentence' }, one.name),
      !session.signed && h('button', { class: 'link', 'aria-label': text.changeNamed(one.name), onclick: () => outlines.edit(one) }, text.change))),
    !session.signed && !mine.length && h('button', { key: 'mark', class: 'link', onclick: () => outlines.open(host, { view: view.uid }) }, text.mark, ' ', h('kbd', null, keyOf('outline'))));
}

/** While there are outlines: whether they are seen. */
export function outlineSwitch({ session, host }) {
  const outlines = outlinesOf(session);
  const shown = new Set(host.images().map(image => image.uid));
  const count = outlines.count(shown);
  if (!count) return null;
  return h('div', { key: 'outlines', class: 'strip' },
    h('button', { class: 'chip', 'aria-pressed': String(!outlines.hidden), onclick: () => outlines.toggle() },
      h('span', { class: 'ring', 'aria-hidden': 'true' }), text.onImages(count), ' ', h('kbd', null, keyOf('hideOutlines'))));
}

/** @param {any} ctx */
export function outlineSheet(ctx) {
  const { session } = ctx;
  const outlines = outlinesOf(session);
  const one = outlines.current;
  const item = session.currentItem;
  if (!one || !item) return null;
  const view = session.template.views.find(v => v.uid === one.view);
  return h('section', { key: `outline ${one.id}`, class: 'card editor measuring', 'aria-label': text.title, 'data-outline': true, tabindex: '-1' },
    h('div', { class: 'title' }, h('h2', null, item.name), h('button', { class: 'btn', onclick: () => outlines.close() }, text.done, h('kbd', null, 'esc'))),
    h('p', { class: 'code' }, `${strings.values.variant} · ${view ? shortLabel(view) : ''}`),
    h('p', { class: 'small' }, text.hint),
    h('ol', { class: 'marks', 'aria-label': text.title }, PARTS.map(part => partRow(ctx, outlines, part))),
    h('label', { class: 'label', key: 'name' }, text.name,
      h('input', { type: 'text', maxlength: 120, 'data-field': 'outline name', '.value': one.name, oninput: event => outlines.rename(event.target.value) })),
    h('div', { key: 'names', class: 'chips', role: 'group', 'aria-label': text.names }, namesFor(item).map(name =>
      h('button', { key: name, class: 'chip', 'aria-pressed': String(name === one.name), onclick: () => outlines.rename(name) }, name))),
    h('div', { key: 'buttons', class: 'buttons act' },
      h('button', { class: 'btn primary wide', onclick: () => outlines.close() }, text.done, h('kbd', null, 'y')),
      h('button', { class: 'btn', onclick: () => outlines.add(ctx.host, item, one.view) }, text.another),
      h('button', { class: 'btn', onclick: () => outlines.remove() }, text.remove)));
}

function partRow({ host }, outlines, part) {
  const chosen = outlines.chosen === part;
  const keydown = event => {
    const step = ARROWS[event.key];
    if (!step) return;
    event.preventDefault();
    event.stopPropagation();
    outlines.step(host, part, step, event.shiftKey);
  };
  return h('li', { key: part },
    h('button', { class: chosen ? 'landmark chosen' : 'landmark', 'aria-pressed': String(chosen), 'data-landmark': part, 'data-part': part, 'aria-label': `${text.parts[part]}: ${text.keys[part]}`, onfocus: () => outlines.choose(part), onclick: () => outlines.choose(part), onkeydown: keydown },
      h('span', { class: 'number-mark', 'aria-hidden': 'true' }, text.marks[part]), h('span', { class: 'sentence' }, text.parts[part]), h('span', { class: 'dim small state' }, text.keys[part])));
}
