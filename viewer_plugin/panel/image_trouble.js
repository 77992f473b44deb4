// @ts-check
/** Images that could not be loaded: said where the reader works, with what to do. */

import { h } from './dom.js';
import { someOf } from './map_state.js';
import { strings } from './strings.js';

/** @param {any} ctx */
export function imageTrouble({ session, host }) {
  const failed = host.failed();
  if (!failed.length) return null;
  const labels = failed.map(uid => session.template.views.find(view => view.uid === uid)?.label ?? strings.plain.image);
  return h('div', { key: 'image-trouble', class: 'trouble', role: 'alert', 'data-image-trouble': true },
    h('p', null, strings.images.failed(someOf(labels))),
    h('div', { class: 'buttons' }, h('button', { class: 'btn', onclick: () => failed.forEach(uid => host.again(uid)) }, strings.retry)));
}
