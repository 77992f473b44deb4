// @ts-check
/** Which version of the report counts, and all documents that were signed. */

import { dropAside, giveUp } from './after_signing.js';
import { h } from './dom.js';
import { localDateTime, personName } from './header.js';
import { showKeyImages, togglePresentation } from './presenting.js';
import { strings } from './strings.js';

const text = strings.versions;

/** "Version 2 of 2 counts: corrected, Dr Ida Vreeland, 2026-11-25 17:10" */
export function whichCounts(prevailing) {
  const { kind, number, of, signed_by, signed_at } = prevailing;
  return text.counts(number, of, text.kinds[kind] ?? kind, personName(signed_by), localDateTime(signed_at));
}

/** How things stand with the report, in every section; nothing before the first signature. */
export function standing(ctx) {
  const { session } = ctx;
  const { prevailing, correcting, newer_in_archive: newer = [], late_objects: late = 0 } = session.opening;
  const lines = [
    ...newer.map(version => newerLine(ctx, version)),
    prevailing && !prevailing.withdrawn && line('counts', newer.length ? '·' : '✓', newer.length ? text.signedHere(localDateTime(prevailing.signed_at), personName(prevailing.signed_by)) : whichCounts(prevailing)),
    prevailing?.withdrawn && line('withdrawn', '▲', text.withdrawn(prevailing.of), true),
    correcting && correctingLine(session, correcting),
    late > 0 && line('late', '▲', text.late(late), true),
    session.aside && asideLine(session),
  ].filter(Boolean);
  return lines.length > 0 && h('div', { key: 'standing', class: 'standing', role: 'status' }, lines);
}

function line(key, mark, words, wants = false, ...more) {
  return h('div', { key, class: wants ? 'stand wants' : 'stand' },
    h('span', { class: 'mark', 'aria-hidden': 'true' }, mark), h('div', null, h('p', null, words), ...more));
}

function newerLine({ session, host }, version) {
  const words = (session.opening.prevailing ? text.newer : text.elsewhere)(personName(version.signed_by), localDateTime(version.signed_at));
  return line(`newer ${version.sop_instance_uid}`, '▲', words, true,
    h('button', { class: 'link', onclick: () => host.openDocument(version.series_uid, version.sop_instance_uid) }, strings.documents.open));
}

function correctingLine(session, { reason, by, at }) {
  const ask = () => session.update({ confirming: true });
  return line('correcting', '✎', text.correcting(personName(by), localDateTime(at)), false,
    h('p', { class: 'dim' }, reason),
    session.confirming
      ? h('div', { class: 'buttons', role: 'group', 'aria-label': text.giveUp },
        h('p', null, text.giveUpAsk),
        h('button', { class: 'btn', disabled: session.signing.busy, onclick: () => giveUp(session) }, text.giveUpYes),
        h('button', { class: 'btn', onclick: () => session.update({ confirming: false }) }, text.giveUpNo))
      : h('button', { class: 'link', onclick: ask }, text.giveUp));
}

function asideLine(session) {
  const correct = () => session.update({ section: 'conclude', deed: 'correction' });
  return line('aside', '▲', text.aside.words, true,
    h('div', { class: 'buttons' },
      h('button', { class: 'btn', onclick: correct }, text.aside.use),
      h('button', { class: 'btn', onclick: () => dropAside(session) }, text.aside.drop)));
}

/** Documents that the viewer can open; the others it applies to the images, or they are notices. */
const OPENS = ['report', 'measurements', 'pdf'];

/** The signed documents, newest version first with what goes with it; the one that counts says so. */
export function documents(ctx) {
  const { session } = ctx;
  const groups = /** @type {any[][]} */ ([]);
  for (const document of session.documents) {
    if (['report', 'withdrawal'].includes(document.role) || !groups.length) groups.push([document]);
    else groups[groups.length - 1].push(document);
  }
  const reports = session.documents.filter(d => d.role === 'report');
  return h('div', { key: 'documents' }, h('h2', null, strings.documents.title),
    h('ul', { class: 'documents' }, groups.reverse().map(([first, ...others]) => {
      const number = reports.indexOf(first) + 1;
      // What goes the way of its report needs no line of its own.
      const rows = others.map(d => h('li', { key: d.sop_instance_uid, class: 'below' }, documentRow(ctx, d), sentWords(d) !== sentWords(first) && sentLine(d)));
      const folded = number !== reports.length && rows.length > 0;
      return h('li', { key: first.sop_instance_uid }, documentRow(ctx, first, number, reports.length), sentLine(first),
        folded ? h('details', null, h('summary', null, text.others(rows.length)), h('ul', null, rows)) : rows.length > 0 && h('ul', null, rows));
    })),
    h('p', { key: 'forms', class: 'forms' }, h('span', { class: 'dim' }, text.saveAs), ['pdf', 'txt', 'fhir.json'].map(form => h('a', {
      key: form, class: 'link', href: `/api/studies/${session.study}/report.${form}`, target: '_blank', rel: 'noopener',
    }, text.formNames[form]))));
}

function documentRow({ session, host }, d, number = 0, all = 0) {
  const name = strings.documents.roles[d.role] ?? strings.documents.kinds[d.kind] ?? d.kind;
  const nth = number > 0 && all > 1 ? text.nth(number) : '';
  const tag = number > 0 ? standingOf(session, d) : '';
  const open = () => host.openDocument(d.series_uid, d.sop_instance_uid);
  return [
    h('div', { class: 'title' },
      h('span', null, h(number || d.role === 'withdrawal' ? 'strong' : 'span', null, name), nth && h('span', { class: 'dim' }, ` · ${nth}`), tag && h('span', { class: tag === text.tags.counts ? 'tag counts' : 'tag' }, tag)),
      d.role === 'presentation' && presentButton(session, host, d, name),
      d.role === 'key_images' && h('button', { class: 'link', 'aria-label': `${strings.documents.show}: ${name}`, onclick: () => showKeyImages(session, host, d) }, strings.documents.show),
      OPENS.includes(d.role) && h('button', { class: 'link', 'aria-label': [`${strings.documents.open}: ${name}`, nth].filter(Boolean).join(', '), onclick: open }, strings.documents.open)),
    (number > 0 || d.role === 'withdrawal') && h('p', { class: 'dim' }, [personName(d.signed_by), d.signed_at && localDateTime(d.signed_at)].filter(Boolean).join(' · ')),
  ];
}

/** It is no picture of its own: it lies over the images. */
function presentButton(session, host, d, name) {
  const on = session.presented?.uid === d.sop_instance_uid;
  const word = on ? strings.documents.hide : strings.documents.show;
  return h('button', { class: 'link', 'aria-pressed': String(on), 'aria-label': `${word}: ${name}`, onclick: () => togglePresentation(session, host, d) }, word);
}

const sentWords = d => [strings.documents.delivery[d.delivery] ?? d.delivery, d.delivery_detail].filter(Boolean).join(': ');

function sentLine(d) {
  return h('p', { key: 'sent', class: d.delivery === 'refused' ? 'bad' : d.delivery === 'committed' ? '' : 'dim', role: 'status' }, sentWords(d));
}

/** What a reader of this report must know first; "" when it is the one that counts. */
export function superseded(session, uid) {
  const known = session.documents.find(d => d.role === 'report' && d.sop_instance_uid === uid);
  const { prevailing, newer_in_archive: [newer] = [] } = session.opening ?? {};
  if (!known || !prevailing) return '';
  if (prevailing.withdrawn) return text.withdrawn(prevailing.of);
  if (newer) return text.newer(personName(newer.signed_by), localDateTime(newer.signed_at));
  return uid === prevailing.sop_instance_uid ? '' : text.replaced(whichCounts(prevailing));
}

function standingOf(session, d) {
  const { prevailing, newer_in_archive: newer = [] } = session.opening;
  if (!prevailing) return '';
  if (newer.length) return text.tags.followed;
  if (d.sop_instance_uid !== prevailing.sop_instance_uid) return text.tags.replaced;
  return prevailing.withdrawn ? text.tags.withdrawn : text.tags.counts;
}
