// @ts-check
/** The foot of the panel: what is left, the next open cross-check. */

import { h } from './dom.js';
import { keyOf } from './keys.js';
import { findingName } from './names.js';
import { coverage, openChecks } from './walk.js';
import { strings } from './strings.js';

/** @param {any} ctx */
export function footer(ctx) {
  const { session } = ctx;
  const { asked, answered } = coverage(session.template, session.reading);
  const checks = openChecks(session.template, session.reading);
  const here = checks.filter(([finding]) => finding.id !== session.editing);
  return h('footer', { key: 'footer' },
    here.length > 0 && session.walking && !session.editing && !session.sheet && openCheck(ctx, here),
    h('p', { class: 'message', role: 'status' }, session.message),
    h('div', { class: 'foot' },
      h('span', { class: 'left' }, session.opening.state === 'withdrawn' ? strings.versions.readOnly : session.signed ? strings.readOnly : strings.footer.left(asked - answered, checks.length)),
      h('button', { class: 'btn square', 'aria-label': strings.search.title, onclick: () => session.update({ help: 'search', sought: { words: '', at: 0 } }) }, keyOf('search')),
      h('button', { class: 'btn square', 'aria-label': strings.help.title, onclick: () => session.update({ help: 'keys', rekeying: { name: '', said: '', bad: false } }) }, keyOf('help')),
      session.section !== 'conclude' && h('button', { class: 'btn primary', onclick: () => session.chooseSection('conclude') }, strings.footer.conclude)));
}

function openCheck(ctx, checks) {
  const { session } = ctx;
  const [finding, uid] = checks[0];
  const view = session.template.views.find(v => v.uid === uid);
  return h('button', { key: 'open-check', class: 'open-check', onclick: () => session.editFinding(finding.id) },
    h('span', { class: 'title' }, h('strong', null, strings.footer.openCheck), h('span', { class: 'dim' }, strings.footer.of(1, checks.length))),
    h('span', { class: 'sentence brief' }, findingName(session, finding)),
    h('span', { class: 'dim' }, strings.finding.question(view?.label ?? '')));
}
