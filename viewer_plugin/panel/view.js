// @ts-check
/** The whole panel as a tree; a function of the session, the drawing and the host. */

import { beforePage, besideBar } from './before.js';
import { dictationBar } from './dictation_bar.js';
import { conclude } from './conclude.js';
import { h } from './dom.js';
import { findingEditor } from './finding_editor.js';
import { footer } from './footer.js';
import { isEye } from './groups.js';
import { groupSheet } from './group_sheet.js';
import { header, imageStrip, saveTrouble, sectionNav } from './header.js';
import { helpPage } from './key_page.js';
import { phrasePage } from './phrase_page.js';
import { searchPage } from './search.js';
import { itemCard } from './item_card.js';
import { itemList } from './item_list.js';
import { landmarkSheet } from './landmark_sheet.js';
import { landmarksOf } from './landmarks.js';
import { limbMap } from './limb_map.js';
import { measureSheet } from './measure_sheet.js';
import { shapeOf } from './map_state.js';
import { outlineSheet, outlineSwitch } from './outline_sheet.js';
import { outlinesOf } from './outlines.js';
import { strings } from './strings.js';
import { standing } from './versions.js';

/** @param {any} ctx */
export function panelView(ctx) {
  const { session } = ctx;
  if (session.status === 'loading') return [h('p', { key: 'loading', class: 'alone', role: 'status' }, strings.loading)];
  if (session.status === 'failed') return [failure(session)];
  if (session.help) return [{ search: searchPage, phrases: phrasePage, keys: helpPage }[session.help](ctx)];
  const body = session.section === 'conclude' ? conclude(ctx) : session.section === 'before' ? beforePage(ctx) : sectionBody(ctx);
  return [header(ctx), standing(ctx), saveTrouble(ctx), sectionNav(ctx), imageStrip(ctx), outlineSwitch(ctx), besideBar(ctx), body, dictationBar(ctx), footer(ctx)];
}

function failure(session) {
  const signedOut = session.failureStatus === 401;
  return h('div', { key: 'failed', class: 'alone', role: 'alert' },
    h('h2', null, strings.failed), h('p', null, session.failure),
    h('div', { class: 'buttons' },
      signedOut && h('a', { class: 'btn', href: `/login?next=${encodeURIComponent(location.pathname + location.search)}` }, strings.signIn),
      h('button', { class: 'btn', onclick: () => session.load() }, strings.retry)));
}

function sectionBody(ctx) {
  const { session, map } = ctx;
  const setting = landmarksOf(session).active;
  const ringing = outlinesOf(session).active;
  const editor = setting ? landmarkSheet(ctx) : ringing ? outlineSheet(ctx) : session.measuring.active ? measureSheet(ctx) : session.editing ? findingEditor(ctx) : session.sheet ? groupSheet(ctx) : null;
  const ofSection = session.template.items.filter(item => item.section === session.section && item.side === session.side);
  const drawn = map && ofSection.some(item => shapeOf(map, item));
  const all = ofSection.every(item => shapeOf(map, item));
  const kind = !editor ? '' : setting || ringing || session.editing || session.measuring.active ? ' editing' : isEye(session.sheet) ? ' grouping eyeing' : ' grouping';
  return h('div', { key: 'body', class: `body${kind}${drawn ? '' : ' listed'}` },
    h('div', { key: 'where', class: 'where' },
      map && limbMap(ctx),
      !drawn && itemList(ctx, { alone: !map }),
      drawn && !all && itemList(ctx, { onlyMissing: true }),
      drawn && h('details', { key: 'as-list' }, h('summary', null, strings.map.list), itemList(ctx))),
    editor ?? itemCard(ctx));
}
