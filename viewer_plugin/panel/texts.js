// @ts-check
/** The texts of the report: the reader's own, what the node writes, and how it will be sent. */

import { keepWording, pieces, takeMerged } from './advice.js';
import { h } from './dom.js';
import { strings } from './strings.js';

const text = strings.conclude;

/** A text field of the reading with its heading. */
export function prose(session, field, rows) {
  const summary = field === 'impression' && !session.signed && !session.reading.impression.trim() && session.preview?.summary;
  return h('div', { key: field, class: 'block' },
    h('label', { class: 'label' }, h('span', { class: 'h2' }, text[field]),
      h('textarea', {
        rows, maxlength: 20000, readonly: session.signed, 'data-text': field, '.value': session.reading[field],
        oninput: event => session.commit({ ...session.reading, [field]: event.target.value }, '', field),
      })),
    summary && h('div', { key: 'summary', class: 'proposed' },
      h('p', null, h('span', { class: 'dim' }, text.proposed, ' '), summary),
      h('button', { class: 'btn', 'data-summary': true, 'aria-label': text.takeSummary, onclick: () => session.commit({ ...session.reading, impression: summary }) }, text.take)));
}

/** The findings as the node writes them, or in the reader's words. */
export function findingsText(session) {
  const own = session.reading.findings_text;
  const written = session.preview?.findings_text ?? '';
  const put = (findings_text, more = {}) => session.commit({ ...session.reading, findings_text, ...more }, '', findings_text === null ? '' : 'findings_text');
  return h('div', { key: 'findings', class: 'block' },
    h('div', { class: 'title' }, h('h2', { id: 'findings-title' }, text.findings), h('span', { class: 'dim' }, own === null ? text.written : text.own)),
    own !== null && !session.signed && session.advice.merged && mergeNotice(session, session.advice.merged),
    own === null
      ? h('p', { class: 'paper', key: 'written' }, written || session.preview?.error || text.previewWait)
      : h('textarea', { key: 'own', 'data-text': 'findings', rows: 8, maxlength: 60000, readonly: session.signed, 'aria-labelledby': 'findings-title', '.value': own, oninput: event => put(event.target.value) }),
    !session.signed && h('div', { class: 'buttons' }, own === null
      ? h('button', { class: 'btn', key: 'edit', disabled: !written, onclick: () => put(written, { findings_generated: written }) }, text.edit)
      : h('button', { class: 'btn', key: 'back', onclick: () => put(null, { findings_generated: '' }) }, text.back)));
}

function mergeNotice(session, merged) {
  const mark = piece => h('span', { class: `piece ${piece.kind}` }, h('span', { class: 'tag' }, text.marks[piece.kind]), piece.text);
  return h('div', { key: 'merge', class: 'merge', role: 'region', 'aria-label': text.changed },
    h('p', null, text.changed),
    h('p', { class: 'paper' }, pieces(merged).map(piece => (piece.kind ? [' ', mark(piece), ' '] : piece.text))),
    h('div', { class: 'buttons' },
      h('button', { class: 'btn', onclick: () => session.commit(takeMerged(session.reading, merged)) }, text.take),
      h('button', { class: 'btn', onclick: () => session.commit(keepWording(session.reading, merged)) }, text.keepMine)));
}

/** The report as it will be sent, the answer first. */
export function preview(session) {
  return h('details', { key: 'preview', class: 'block' }, h('summary', { class: 'h2' }, text.preview),
    h('p', { class: 'paper' }, session.preview?.text || session.preview?.error || text.previewWait));
}
