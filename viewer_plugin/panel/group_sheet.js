// @ts-check
/** All members of a group together, in place of the card: a look at each, then one key. */

import { normalOfGroup, openGroup } from './answering.js';
import { h } from './dom.js';
import { groupCount, groupOpen, isEye, members, sheetGroup, standsAlone } from './groups.js';
import { groupKey } from './keys.js';
import { described, glyph } from './item_list.js';
import { viewsOfSide } from './map_state.js';
import { breakable } from './names.js';
import { askedViews } from './reading.js';
import { strings } from './strings.js';
import { kindsOf } from './view_kinds.js';

const text = strings.group;

/** @param {any} ctx */
export function groupSheet(ctx) {
  const { session } = ctx;
  const group = sheetGroup(session.template, session.sheet);
  if (!group) return null;
  const items = members(session.template, group);
  const eye = isEye(session.sheet);
  const more = eye && !seenWhole(session);
  const onward = event => nextOrNormal(session, event.target.closest('.sheet'));
  const open = groupOpen(session.template, session.reading, group).length;
  return h('section', { key: `sheet ${group.id}`, class: eye ? 'card sheet eye' : 'card sheet', 'aria-label': text.label(group.name), tabindex: '-1', 'data-card': true },
    h('div', { class: 'title' }, h('h2', null, group.name),
      h('button', { class: 'btn', onclick: () => session.update({ sheet: '' }) }, strings.help.close, h('kbd', null, 'esc'))),
    h('p', { class: 'code' }, !open ? text.nothing : eye ? text.eyeLead(open) : text.lead(open)),
    eye ? parts(session, items) : h('ul', { class: 'members' }, items.map(item => member(session, item))),
    !session.signed && h('div', { class: 'confirm' },
      h('button', { class: 'btn primary', disabled: !open, onclick: onward }, more ? text.page : text.normal, h('kbd', null, groupKey()))));
}

/**
 * What lies below the edge of a sheet was not shown: the key turns the page before it answers.
 * @param {import('./session.js').Session} session
 * @param {Element | null} sheet
 */
export function nextOrNormal(session, sheet) {
  if (!sheet?.classList.contains('eye') || seenWhole(session) || atEnd(sheet)) return normalOfGroup(session);
  sheet.scrollBy({ top: sheet.clientHeight - 96, behavior: 'instant' });
}

/** Remember that a bird's-eye sheet was seen to its end: from then on its button says "normal". */
export function noteEnd(session, stage) {
  const sheet = stage.querySelector('.sheet.eye');
  if (!sheet || seenWhole(session) || !atEnd(sheet)) return;
  session.update({ seenWhole: sheetNow(session) });
}

function atEnd(sheet) {
  return sheet.clientHeight > 0 && sheet.scrollTop + sheet.clientHeight >= sheet.scrollHeight - 4;
}

function seenWhole(session) {
  return session.seenWhole === sheetNow(session);
}

/** Images that come late make it another sheet. */
function sheetNow(session) {
  return `${session.sheet} ${session.template.revision}`;
}

/** A whole section, by group: names close together, each with its state. */
function parts(session, items) {
  const { template, reading } = session;
  const groups = template.groups.map(group => ({ group, own: items.filter(item => group.items.includes(item.id)) }));
  return groups.filter(one => one.own.length).map(({ group, own }) => {
    const [answered, asked] = groupCount(template, reading, own);
    return h('section', { key: group.id, class: 'part' },
      h('h3', { class: 'part-name' }, h('span', { class: 'row-name' }, group.name), h('span', null, `${answered}/${asked}`)),
      h('ul', { class: 'names' }, own.map(item => seen(session, item))));
  });
}

function seen(session, item) {
  const views = viewsOfSide(session.template, item.side);
  const alone = standsAlone(session.reading, item.id);
  return h('li', { key: item.id, class: alone ? 'member apart' : 'member' },
    glyph(item, views, session.reading),
    h('button', { class: 'member-name', 'aria-label': described(item, views, session.reading), title: item.physis?.text, onclick: () => session.choose(item.id) }, breakable(item.name)));
}

function member(session, item) {
  const views = viewsOfSide(session.template, item.side);
  const asked = kindsOf(askedViews(session.template, item)).map(kind => strings.map.kind(kind.label, kind.views.length));
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
  return h('button', { key: 'group', class: 'btn group-button', onclick: () => openGroup(session, group.id) },
    h('span', null, text.button(group.items.length)), h('kbd', null, groupKey()));
}
