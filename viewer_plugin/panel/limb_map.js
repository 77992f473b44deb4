// @ts-check
/** The limb map: every structure a shape that fills in as it is observed, split by view. */

import { h } from './dom.js';
import { sheetGroup } from './groups.js';
import { described, legend, sideSwitch } from './item_list.js';
import { bounds, restOfLimb, shapeOf, sides, toward, viewsOfSide, windowOf } from './map_state.js';
import { strings } from './strings.js';
import { strips, worst } from './view_kinds.js';


/** @param {{session: import('./session.js').Session, maps: any[], map: any}} ctx */
export function limbMap(ctx) {
  const { session, map } = ctx;
  const side = session.side || sides(session.template)[0];
  const views = viewsOfSide(session.template, side);
  const drawn = session.template.items
    .filter(item => item.side === side)
    .map(item => ({ item, shape: shapeOf(map, item) }))
    .filter(entry => entry.shape);
  const active = drawn.filter(entry => entry.item.section === session.section);
  return h('div', { class: 'map', key: 'map' },
    sideSwitch(session, side),
    wholeLimbButton(session, map),
    legend(views, active.length > 0 && active.every(entry => entry.shape.turn === 90)),
    drawing(ctx, side, views, drawn, active)
  );
}

function drawing(ctx, side, views, drawn, active) {
  const { session, map } = ctx;
  const [x, y, width, height] = windowOf(map, session.wholeLimb ? map.regions : drawn.map(entry => entry.item.region));
  const mirrored = side === 'L';
  const ghosts = drawn.filter(entry => !active.includes(entry));
  const layer = (entries, frame, alive) =>
    map.layers.flatMap(name =>
      entries
        .filter(e => e.shape.layer === name && (e.shape.frame ?? 'main') === frame)
        .map(e => (alive ? option(ctx, e, views, active) : ghost(ctx, e, views)))
    );
  const main = mirrored ? `translate(${2 * x + width} 0) scale(-1 1)` : undefined;
  const beside = map.profile && drawn.some(entry => entry.shape.frame === 'profile');
  const profile = beside && mirrored ? `translate(${map.profile.mirror_shift} 0)` : undefined;
  return h('svg', { class: 'limb', viewBox: `${x} ${y} ${width} ${height}`, preserveAspectRatio: 'xMidYMin meet' },
    patterns(),
    h('g', { transform: main, 'aria-hidden': 'true' },
      h('path', { class: 'skin', d: map.outline }),
      restOfLimb(map, drawn.map(entry => entry.shape)).map((d, i) => h('path', { key: `rest ${i}`, class: 'rest', d })),
      layer(ghosts, 'main', false)),
    beside && h('g', { key: 'profile', transform: profile, 'aria-hidden': 'true' },
      h('path', { class: 'skin', d: map.profile.outline }), layer(ghosts, 'profile', false)),
    h('g', active.length ? { role: 'listbox', 'aria-label': `${strings.map.label}, ${strings.sections[session.section]}` } : {},
      h('g', { transform: main, role: 'presentation' }, layer(active, 'main', true)),
      h('g', { transform: profile, role: 'presentation' }, layer(active, 'profile', true))));
}

/** The whole limb in one look, or the part that the study shows. */
function wholeLimbButton(session, map) {
  const has = session.template.items.map(item => item.region);
  if (map.regions.every(region => has.includes(region))) return null;
  return h('button', {
    key: 'whole', class: 'link', 'aria-pressed': String(Boolean(session.wholeLimb)),
    onclick: () => session.update({ wholeLimb: !session.wholeLimb }),
  }, session.wholeLimb ? strings.map.part : strings.map.whole);
}

function ghost(ctx, { item, shape }, views) {
  return h('g', { key: item.id, class: `shape ghost ${shape.layer}` }, parts(item, shape, views, ctx.session.reading));
}

function option(ctx, entry, views, active) {
  const { session } = ctx;
  const { item, shape } = entry;
  const chosen = item.id === session.item;
  const group = sheetGroup(session.template, session.sheet);
  const together = group?.items.includes(item.id) ? ' together' : '';
  const first = active.some(e => e.item.id === session.item) ? chosen : entry === active[0];
  return h('g', {
    key: item.id, class: `shape ${shape.layer}${chosen ? ' chosen' : ''}${together}`, role: 'option',
    'aria-selected': String(chosen), 'aria-label': described(item, views, session.reading),
    tabindex: first ? '0' : '-1', 'data-place': chosen ? 'map' : undefined,
    onclick: () => session.choose(item.id),
    onkeydown: event => arrow(event, session, active, item.id),
  },
  h('title', null, item.name),
  h('path', { class: 'halo', d: shape.d }),
  parts(item, shape, views, session.reading),
  h('path', { class: 'reach', d: shape.d }));
}

/** The shape itself: strips with the state of each view or kind of view, then the outline. */
function parts(item, shape, views, reading) {
  const all = strips(item, views, reading);
  const box = bounds(shape.d, shape.turn ?? 0);
  const step = (box.right - box.left) / Math.max(all.length, 1);
  const clip = `clip-${item.id}`;
  const turn = shape.turn ? `rotate(${shape.turn})` : undefined;
  const filled = all.flatMap((parts, i) => {
    let y = box.bottom + 1;
    return parts.map(({ state, weight }) => {
      const height = weight * (box.bottom - box.top + 2);
      y -= height;
      return h('rect', { class: `fill ${state}`, x: box.left + i * step, y, width: step, height });
    });
  });
  const cuts = all.slice(1).map((_, i) => {
    const x = box.left + (i + 1) * step;
    return h('line', { class: 'cut', x1: x, x2: x, y1: box.top - 1, y2: box.bottom + 1 });
  });
  return [
    h('clipPath', { id: clip }, h('path', { d: shape.d })),
    h('g', { 'clip-path': `url(#${clip})` }, h('g', { transform: turn }, filled, cuts)),
    h('path', { class: `edge${worst(all)}`, d: shape.d }),
  ];
}

function arrow(event, session, active, id) {
  if (!event.key.startsWith('Arrow')) return;
  event.preventDefault();
  const mirrored = session.side === 'L';
  const centres = active.map(({ item, shape }) => {
    const box = bounds(shape.d);
    const x = (box.left + box.right) / 2;
    return { id: item.id, x: mirrored ? -x : x, y: (box.top + box.bottom) / 2 };
  });
  const to = toward(centres, id, event.key);
  if (to) session.choose(to);
}

function patterns() {
  const pattern = (id, size, ...content) =>
    h('pattern', { id, key: id, width: size, height: size, patternUnits: 'userSpaceOnUse' }, content);
  return h('defs', { key: 'defs' },
    pattern('p-abnormal', 5, h('rect', { class: 'p-dark', width: 5, height: 5 }), h('path', { class: 'p-accent', d: 'M-1 6L6 -1M-1 1L1 -1M4 6L6 4' })),
    pattern('p-variant', 4, h('rect', { class: 'p-dark', width: 4, height: 4 }), h('circle', { class: 'p-dot', cx: 2, cy: 2, r: 1.05 })),
    pattern('p-blind', 4, h('path', { class: 'p-cross', d: 'M0 0L4 4M4 0L0 4' })),
    pattern('p-undetermined', 5, h('rect', { class: 'p-dark', width: 5, height: 5 }), h('rect', { class: 'p-bone', width: 5, height: 2 })));
}
