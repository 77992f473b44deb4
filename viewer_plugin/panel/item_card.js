// @ts-check
/** What is known and said of one structure. */

import { answer, setNote } from './answering.js';
import { computeButton } from './computed_row.js';
import { beforeItem } from './before_item.js';
import { h } from './dom.js';
import { tourLine } from './landmark_sheet.js';
import { measurementList } from './finding_editor.js';
import { groupButton } from './group_sheet.js';
import { groupOf } from './groups.js';
import { keyOf } from './keys.js';
import { shortLabel, someOf } from './map_state.js';
import { outlineLines } from './outline_sheet.js';
import { observation } from './reading.js';
import { strings } from './strings.js';
import { kindsOf } from './view_kinds.js';

const KEY_NAMES = { normal: 'normalNext', not_assessable: 'notAssessable' };
const VALUES = ['normal', 'abnormal', 'variant', 'undetermined', 'not_assessable'];

/** @param {any} ctx */
export function itemCard(ctx) {
  const { session } = ctx;
  const item = session.currentItem;
  if (!item || item.section !== session.section) {
    return h('section', { key: 'card', class: 'card' }, h('p', { class: 'dim' }, strings.map.nothingHere));
  }
  const views = session.template.views.filter(view => view.uid in item.visibility);
  const asked = views.filter(view => item.visibility[view.uid] !== 'no');
  const blind = views.filter(view => item.visibility[view.uid] === 'no');
  return h('section', { key: `card ${item.id}`, class: 'card', 'aria-label': item.name, tabindex: '-1', 'data-card': true },
    h('h2', null, item.name),
    h('p', { class: 'code' }, place(session, item)),
    tourLine(ctx),
    viewBlocks(ctx, item, asked),
    blind.length > 0 && h('p', { key: 'blind', class: 'blind' }, h('span', { class: 'swatch blind', 'aria-hidden': 'true' }), h('span', null, strings.card.cannot(someOf(blind.map(shortLabel))))),
    measured(ctx, item),
    beforeItem(ctx, item),
    !session.signed && h('div', { class: 'buttons walk', key: 'walk' },
      h('button', { class: 'btn square', 'aria-label': strings.card.previous, onclick: () => session.previous() }, '◂'),
      h('button', { class: 'btn wide', onclick: () => session.next() }, strings.card.next, ' ▸')),
    !session.signed && groupButton(session, groupOf(session.template, item.id)),
    physis(item), variants(item));
}

/** All that was measured of the structure, with or without a finding. */
function measured(ctx, item) {
  const mine = ctx.session.reading.measurements.filter(m => m.item === item.id);
  if (!mine.length && ctx.session.signed) return null;
  return h('div', { key: 'measured', class: 'measure' },
    h('h3', null, strings.finding.measure),
    !ctx.session.signed && h('div', { class: 'buttons compute' }, computeButton(ctx.session)),
    mine.length > 0 && measurementList(ctx, mine));
}

function place(session, item) {
  const same = session.template.items.filter(one => one.section === item.section && one.side === item.side);
  const nth = strings.card.nth(same.indexOf(item) + 1, same.length, strings.sections[item.section]);
  const meaning = item.code.meaning.toLowerCase() === item.name.toLowerCase() ? '' : `${item.code.meaning} · `;
  return `${meaning}${nth}`;
}

/** The views one under the other; of many images the kinds, and the images of the one being read. */
function viewBlocks(ctx, item, asked) {
  const block = view => viewBlock(ctx, item, view, asked.indexOf(view), asked.length);
  return kindsOf(asked).map(kind => (kind.views.length === 1 ? block(kind.views[0]) : kindBlock(ctx, item, kind, block)));
}

function kindBlock(ctx, item, kind, block) {
  const { session } = ctx;
  const done = kind.views.filter(view => observation(session.reading, item.id, view.uid));
  const open = kind.views.some(view => view.uid === session.view);
  const next = kind.views.find(view => !done.includes(view)) ?? kind.views[0];
  const worst = done.some(view => observation(session.reading, item.id, view.uid)?.value === 'abnormal');
  const count = strings.footer.of(done.length, kind.views.length);
  return h('div', { key: `kind ${kind.label}`, class: open ? 'kind open' : 'kind' },
    h('button', { class: 'kind-head', 'aria-expanded': String(open), 'aria-label': strings.card.kind(strings.map.kind(kind.label, kind.views.length), count), onclick: () => choose(ctx, next.uid) },
      h('span', { class: 'view-name' }, strings.map.kind(kind.label, kind.views.length)),
      h('span', { class: worst ? 'said abnormal' : 'seen' }, worst && `${strings.values.abnormal} · `, `${done.length}/${kind.views.length}`)),
    open && kind.views.map(block));
}

function viewBlock(ctx, item, view, index, all) {
  const { session } = ctx;
  const said = observation(session.reading, item.id, view.uid);
  const chosen = session.view === view.uid;
  const open = !session.signed && (chosen || (all <= 2 && !said));
  return h('div', { key: `view ${view.uid}`, class: chosen ? 'view chosen' : 'view', role: 'group', 'aria-label': strings.card.observations(view.label) },
    h('button', { class: 'view-head', 'aria-expanded': String(open), onclick: () => choose(ctx, view.uid) },
      h('span', { class: 'view-name' }, index < 9 && h('kbd', null, String(index + 1)), shortLabel(view)),
      h('span', { class: said && !open ? `said ${said.value}` : 'seen' }, said && !open ? saidText(said) : strings.visibility[item.visibility[view.uid]])),
    open && h('div', { class: 'values' }, VALUES.map(value => h('button', {
      key: value, class: `value ${value}`, 'aria-pressed': String(said?.value === value),
      onclick: () => answer(session, said?.value === value && value !== 'abnormal' ? null : value, view.uid),
    }, h('span', null, said?.value === value ? saidText(said) : strings.values[value]), h('kbd', null, keyOf(KEY_NAMES[value] ?? value))))),
    findingLine(ctx, item, view),
    outlineLines(ctx, item, view, said),
    (said && (open || said.note)) && note(session, item, view, said));
}

function saidText(said) {
  return said.by_group ? strings.fills.group : strings.values[said.value];
}

function choose(ctx, uid) {
  ctx.session.update({ view: uid });
  ctx.host.show([uid]);
}

function note(session, item, view, said) {
  if (session.signed) return h('p', { class: 'note' }, said.note);
  return h('textarea', {
    key: 'note', rows: said.note.length > 40 ? 3 : 1, class: 'note', maxlength: 4000, 'data-text': 'findings', 'data-field': `note ${view.uid}`,
    placeholder: strings.card.note, 'aria-label': `${strings.card.note}, ${view.label}`, '.value': said.note,
    oninput: event => setNote(session, item.id, view.uid, event.target.value),
  });
}

function findingLine(ctx, item, view) {
  const { session } = ctx;
  const finding = session.reading.findings.find(f => f.item === item.id && f.view === view.uid);
  if (!finding) return null;
  const names = descriptorNames(session, item.section, finding);
  return h('button', { key: 'finding', class: 'finding-line', 'data-finding': finding.id, onclick: () => session.update({ view: view.uid, editing: finding.id }) },
    h('span', null, [finding.severity, names.join(', ') || strings.card.editFinding].filter(Boolean).join(' '), certaintyLine(session, finding)), h('kbd', null, 'e'));
}

/** How sure the views make a finding, once the node has said so. */
export function certaintyLine(session, finding) {
  const certainty = session.advice.certainties[finding.id];
  return certainty && h('span', { key: 'certainty', class: `certainty ${certainty.state}` }, certainty.words);
}

/** Labels of the descriptors of a finding. */
export function descriptorNames(session, section, finding) {
  const known = new Map((session.opening.descriptors[section] ?? []).map(d => [d.id, d.label]));
  return finding.descriptors.map(id => known.get(id) ?? id);
}

function physis(item) {
  if (!item.physis) return null;
  const { text, source, grade } = item.physis;
  return h('aside', { key: 'physis', class: 'known' }, h('h3', null, strings.card.physis),
    h('p', null, text, ' ', h('span', { class: 'source' }, `${source} (${grade})`)));
}

function variants(item) {
  if (!item.variants.length) return null;
  return h('aside', { key: 'variants', class: 'known' }, h('h3', null, strings.card.variants),
    item.variants.map(v => h('p', { key: v.id }, v.text, ' ', h('span', { class: 'source' }, `${v.source} (${v.grade})`))));
}
