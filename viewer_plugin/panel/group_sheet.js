// @ts-check
/** All members of a group together, in place of the card: a look at each, then one key. */

import { h } from './dom.js';
import { groupOpen, members, standsAlone } from './groups.js';
import { described, glyph } from './item_list.js';
import { shortLabel, viewsOfSide } from './map_state.js';
import { askedViews } from './reading.js';
import { strings } from './strings.js';

const text = strings.group;

/** @param {any} ctx */
export function groupSheet(ctx) {
  const { session } = ctx;
  const group = session.template.groups.find(one => one.id === session.sheet);
  if (!group) return null;
  const items = members(session.template, group);
  const open = groupOpen(session.template, session.reading, group).length;
  return h('section', { key: `sheet ${group.id}`, class: 'card sheet', 'aria-label': text.label(group.name), tabindex: '-1', 'data-card': true },
    h('div', { class: 'title' }, h('h2', null, group.name),
      h('button', { class: 'btn', onclick: () => session.update({ sheet: '' }) }, strings.help.close, h('kbd', null, 'esc'))),
    h('p', { class: 'code' }, open ? text.lead(open) : text.nothing),
    h('ul', { class: 'members' }, items.map(item => member(session, item))),
    !session.signed && h('div', { class: 'confirm' },
      h('button', { class: 'btn primary', disabled: !open, onclick: () => session.groupNormal() }, text.normal, h('kbd', null, '⇧ space'))));
}

function member(session, item) {
  const views = viewsOfSide(session.template, item.side);
  const asked = askedViews(session.template, item).map(shortLabel);
  const alone = standsAlone(session.reading, item.id);
  return h('li', { key: item.id, class: alone ? 'member apart' : 'member' },
    glyph(item, views, session.reading),
    h('div', null,
      h('button', { class: 'member-name', 'aria-label': described(item, views, session.reading), onclick: () => session.choose(item.id) }, item.name),
      h('p', { class: 'dim' }, asked.length ? asked.join(' · ') : strings.fills.blind),
      alone && h('p', { class: 'stays' }, text.stays),
      item.physis && h('p', { class: 'hint' }, item.physis.text),
      item.variants.map(v => h('p', { key: v.id, class: 'hint' }, v.text))));
}

/** The button on the card that shows the item's group. */
export function groupButton(session, group) {
  if (!group || group.items.length < 2) return null;
  return h('button', { key: 'group', class: 'btn group-button', onclick: () => session.openGroup(group.id) },
    h('span', null, text.button(group.items.length)), h('kbd', null, '⇧ space'));
}
