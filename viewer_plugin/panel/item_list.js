// @ts-check
/** The structures as a list: the same states as on the limb map, one split square for each. */

import { openGroup } from './answering.js';
import { h } from './dom.js';
import { groupCount } from './groups.js';
import { fills, shapeOf, sides, viewsOfSide } from './map_state.js';
import { strings } from './strings.js';
import { kindsOf, strips, worst } from './view_kinds.js';

/** "distal radius: DPa normal, ML not looked at"; of many images, how many of each kind. */
export function described(item, views, reading) {
  const said = kindsOf(views).flatMap(kind => {
    const seen = kind.views.filter(view => view.uid in item.visibility);
    const states = fills(item, seen, reading);
    if (states.length < 2) return seen.map(view => `${view.label} ${strings.fills[states[0]]}`);
    const counted = [...new Set(states)].map(state => `${states.filter(one => one === state).length} ${strings.fills[state]}`);
    return [`${strings.map.kind(kind.label, seen.length)}: ${counted.join(', ')}`];
  });
  return `${item.name}: ${said.join(said.some(one => one.includes(':')) ? '; ' : ', ')}`;
}

/** A small square, split by view like the shapes of the map. */
export function glyph(item, views, reading) {
  const all = strips(item, views, reading);
  return h('span', { class: `glyph${worst(all)}`, 'aria-hidden': 'true' },
    all.map((parts, i) => (parts.length === 1
      ? h('span', { key: String(i), class: `strip-fill ${parts[0].state}` })
      : h('span', { key: `${i} parts`, class: 'strip-fill parts' }, parts.map(part => h('span', { key: part.state, class: `strip-fill ${part.state}`, ref: tall(part.weight) }))))));
}

/** A page may forbid styles in the markup; set by property they are not. */
const tall = weight => element => {
  element.style.flexGrow = String(weight);
};

/** Right or left, where the study has both. */
export function sideSwitch(session, side) {
  const all = sides(session.template);
  if (all.length < 2) return null;
  return h('div', { key: 'sides', class: 'sides', role: 'group', 'aria-label': strings.map.sides },
    all.map(one => h('button', {
      key: one, class: 'chip', 'aria-pressed': String(one === side),
      onclick: () => {
        session.update({ side: one });
        session.chooseSection(session.section);
      },
    }, strings.sides[one])));
}

/** Which strip is which view. */
export function legend(views, down = false) {
  const kinds = kindsOf(views);
  const labels = kinds.map(kind => strings.map.kind(kind.label, kind.views.length));
  const text = labels.length === 1 ? strings.map.oneView(labels[0]) : (down ? strings.map.splitDown : strings.map.split)(labels);
  return h('p', { key: 'legend', class: 'legend' }, text, kinds.some(kind => kind.views.length > 1) && ` ${strings.map.stacked}`);
}

/**
 * The items of the section by group; `onlyMissing` leaves out what the map draws already.
 * @param {any} ctx
 * @param {{onlyMissing?: boolean, alone?: boolean}} [how] alone: there is no map beside it
 */
export function itemList(ctx, { onlyMissing = false, alone = false } = {}) {
  const { session, map } = ctx;
  const { side, template } = session;
  const views = viewsOfSide(template, side);
  const items = template.items.filter(
    item => item.section === session.section && item.side === side && !(onlyMissing && shapeOf(map, item))
  );
  const groups = template.groups
    .map(group => ({ group, own: items.filter(item => group.items.includes(item.id)) }))
    .filter(one => one.own.length);
  const order = groups.flatMap(one => one.own);
  return h('div', { key: alone ? 'alone' : 'list', class: 'list' },
    alone && sideSwitch(session, side),
    alone && items.length > 0 && legend(views),
    groups.map(one => groupBlock(ctx, one, views, order)));
}

function groupBlock(ctx, { group, own }, views, order) {
  const { session } = ctx;
  const [answered, asked] = groupCount(session.template, session.reading, own);
  const count = strings.footer.of(answered, asked);
  return h('div', { key: group.id, class: session.sheet === group.id ? 'group together' : 'group' },
    h('button', { class: 'group-head', 'aria-label': strings.group.head(group.name, count), onclick: () => openGroup(session, group.id) },
      h('span', { class: 'row-name' }, group.name), h('span', { class: answered === asked ? 'count done' : 'count' }, `${answered}/${asked}`)),
    h('div', { role: 'listbox', 'aria-label': group.name }, own.map(item => row(ctx, item, views, order))));
}

function row(ctx, item, views, order) {
  const { session } = ctx;
  const chosen = item.id === session.item;
  const first = order.some(one => one.id === session.item) ? chosen : item === order[0];
  return h('div', {
    key: item.id, class: 'row', role: 'option', 'aria-selected': String(chosen), tabindex: first ? '0' : '-1',
    'data-place': chosen ? 'list' : undefined, 'aria-label': described(item, views, session.reading),
    onclick: () => session.choose(item.id),
    onkeydown: event => arrow(event, session, order, item),
  }, glyph(item, views, session.reading), h('span', { class: 'row-name' }, item.name));
}

/** Up and down by one structure, left and right by a group, as the eye goes. */
function arrow(event, session, order, item) {
  const at = order.indexOf(item);
  const groups = [...new Set(order.map(one => one.group))];
  const group = groups.indexOf(item.group);
  const firstOf = name => order.find(one => one.group === name);
  const to = {
    ArrowUp: order[at - 1], ArrowDown: order[at + 1], Home: order[0], End: order.at(-1),
    ArrowLeft: firstOf(groups[group - 1]), ArrowRight: firstOf(groups[group + 1]),
  }[event.key];
  if (!(event.key.startsWith('Arrow') || to)) return;
  event.preventDefault();
  if (to) session.choose(to.id);
}
