// @ts-check
/** The page `/plain`: images on the left with a few tools, the panel on the right. */

import '../panel/define.js';
import { strings } from '../panel/strings.js';
import { sessionOf } from '../panel/store.js';
import { studyInAddress } from './address.js';
import { listen, warnBeforeLeaving } from './keyboard.js';
import { titled } from './page_title.js';
import { PlainHost } from './plain.js';
import { wearTheme } from '../panel/theme.js';

const text = strings.plain;
const AGAIN_MS = 3000;
/** @type {import('./plain.js').Tool[]} */
const TOOLS = ['window', 'pan', 'zoom', 'length', 'angle'];

const stage = /** @type {HTMLElement} */ (document.getElementById('stage'));
const notice = /** @type {HTMLElement} */ (document.getElementById('notice'));

function say(words) {
  notice.textContent = words;
  notice.hidden = !words;
}

/** The study as the node prepared it; while it is arriving it is asked for again. */
async function factsOf(study) {
  for (;;) {
    try {
      const answer = await fetch(`/api/studies/${study}/reading`, { headers: { Accept: 'application/json' } });
      if (answer.status === 401) location.assign(`/login?next=${encodeURIComponent(location.pathname + location.search)}`);
      const content = await answer.json();
      if (answer.ok) return content.facts;
      say([content.detail ?? text.refused, content.advice].filter(Boolean).join(' '));
    } catch {
      say(text.refused);
    }
    await new Promise(go => setTimeout(go, AGAIN_MS));
  }
}

function button(words, act) {
  const made = document.createElement('button');
  made.textContent = words;
  made.addEventListener('click', act);
  // The images keep the focus, so that their keys go on working.
  made.addEventListener('mousedown', event => event.preventDefault());
  return made;
}

function toolbar(/** @type {PlainHost} */ host) {
  const bar = /** @type {HTMLElement} */ (document.getElementById('tools'));
  const tools = TOOLS.map(tool => {
    const made = button(text.tools[tool], () => (tool === 'length' || tool === 'angle' ? host.startTool(tool) : host.choose(tool)));
    return { tool, made };
  });
  const active = act => () => act(host.active && host.views.includes(host.active) ? host.active : host.views[0]);
  bar.append(...tools.map(one => one.made),
    button(text.whole, () => host.whole()),
    button(text.invert, active(view => view?.invert())),
    button(text.reset, active(view => view?.resetWindow())));
  const mark = () => {
    for (const { tool, made } of tools) made.setAttribute('aria-pressed', String(host.tool === tool));
  };
  mark();
  return mark;
}

async function start() {
  const study = studyInAddress();
  if (!/^[0-9.]{1,64}$/.test(study)) return say(text.noStudy);
  const facts = await factsOf(study);
  say('');
  let mark = () => {};
  const host = new PlainHost(stage, study, facts.images, () => mark());
  mark = toolbar(host);
  host.choose('window');
  /** @type {any} */ (window).sesamoidHost = host; // For whoever extends the page, and for its tests.
  const panel = /** @type {any} */ (document.createElement('sesamoid-panel'));
  panel.study = study;
  panel.host = host;
  document.getElementById('panel')?.append(panel);
  const session = sessionOf(study);
  session.subscribe(() => (host.readOnly = session.status === 'ready' && session.signed));
  titled(session);
  listen();
  warnBeforeLeaving();
}

/** @type {HTMLElement} */ (document.getElementById('home')).append(text.list);
document.getElementById('tools')?.setAttribute('aria-label', text.toolbar);
stage.setAttribute('aria-label', text.images);
wearTheme(document.documentElement);
start().catch(error => {
  console.error('sesamoid', error);
  say(text.broken);
});
