// @ts-check
/** What a reader chooses for their account: language and colours. */

import { h } from './dom.js';
import { LANGUAGES, language } from './language.js';
import { prefer } from './preferences.js';
import { strings } from './strings.js';
import { THEMES, chooseTheme, chosenTheme } from './theme.js';

/** Each language by its own name; the page loads anew once everything is saved. */
export function languages(session) {
  // Not before the node has everything; until then the page stays as it is.
  const reload = () => (session.queue.clean ? location.reload() : setTimeout(reload, 100));
  const change = async wanted => {
    session.queue.flush();
    await prefer({ language: wanted }); // Kept for the next page where the node is away.
    reload();
  };
  return h('div', { class: 'segment', role: 'group', 'aria-label': strings.language.label }, Object.entries(LANGUAGES).map(([code, name]) =>
    h('button', { key: code, lang: code, 'aria-pressed': String(code === language), onclick: () => change(code) }, name)));
}

/** Dark, light, or as the system wants it. */
export function themes(session) {
  const choose = theme => {
    chooseTheme(theme);
    session.update();
  };
  return h('div', { class: 'segment', role: 'group', 'aria-label': strings.theme.label }, THEMES.map(theme =>
    h('button', { key: theme, 'aria-pressed': String(theme === chosenTheme()), onclick: () => choose(theme) }, strings.theme.names[theme])));
}
