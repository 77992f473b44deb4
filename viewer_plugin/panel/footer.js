// @ts-check
/** The foot of the panel: what is left, the next open cross-check; and the page of keys. */

import { h } from './dom.js';
import { LANGUAGES, choose, language } from './language.js';
import { HELP_KEYS } from './keys.js';
import { findingName } from './names.js';
import { THEMES, chooseTheme, chosenTheme } from './theme.js';
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
      h('button', { class: 'btn square', 'aria-label': strings.help.title, onclick: () => session.update({ help: true }) }, '?'),
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

/** All keys, over the whole panel. */
export function helpPage(ctx) {
  const { session } = ctx;
  const close = () => session.update({ help: false });
  return h('section', { key: 'help', class: 'help', role: 'dialog', 'aria-modal': 'true', 'aria-label': strings.help.title },
    h('div', { class: 'title' }, h('h2', null, strings.help.title), h('button', { class: 'btn', 'data-help': true, onclick: close }, strings.help.close, h('kbd', null, 'esc'))),
    h('dl', null, HELP_KEYS.map(([key, command]) => h('div', { key: command }, h('dt', null, h('kbd', null, key)), h('dd', null, strings.help.commands[command])))),
    h('p', { class: 'dim' }, strings.help.hint),
    h('div', { class: 'buttons' }, languages(session), themes(session)));
}

/** Each language by its own name; the page loads anew once everything is saved. */
function languages(session) {
  // Not before the node has everything; until then the page stays as it is.
  const reload = () => (session.queue.clean ? location.reload() : setTimeout(reload, 100));
  const change = wanted => {
    session.queue.flush();
    if (choose(wanted)) reload();
  };
  return h('div', { class: 'segment', role: 'group', 'aria-label': strings.language.label }, Object.entries(LANGUAGES).map(([code, name]) =>
    h('button', { key: code, lang: code, 'aria-pressed': String(code === language), onclick: () => change(code) }, name)));
}

/** Dark, light, or as the system wants it. */
function themes(session) {
  const choose = theme => {
    chooseTheme(theme);
    session.update();
  };
  return h('div', { class: 'segment', role: 'group', 'aria-label': strings.theme.label }, THEMES.map(theme =>
    h('button', { key: theme, 'aria-pressed': String(theme === chosenTheme()), onclick: () => choose(theme) }, strings.theme.names[theme])));
}
