// @ts-check
/** <sesamoid-report>: a signed report beside the images, as sentences with site, side and view. */

import { h, patch } from '../panel/dom.js';
import { knownSession } from '../panel/store.js';
import { strings } from '../panel/strings.js';
import { styleSheet, wearTheme } from '../panel/theme.js';
import { superseded } from '../panel/versions.js';
import { byAge } from './report_handler.js';
import { person, reportLines, standing } from './report_text.js';

const text = strings.report;

const STYLE = `
  :host { position: absolute; inset: 0; overflow: auto; background: var(--ground); color: var(--text); user-select: text;
    font: 14px/1.5 system-ui, "Segoe UI", "DejaVu Sans", sans-serif; }
  article { max-width: 68ch; padding: 20px 24px 40px; }
  h1 { font-size: 18px; margin: 0 0 2px; font-weight: 600; }
  h2 { font-size: 15px; margin: 20px 0 4px; font-weight: 600; }
  h3, h4 { font-size: 14px; margin: 10px 0 2px; font-weight: 600; color: var(--dim); }
  p { margin: 0 0 4px; white-space: pre-wrap; overflow-wrap: anywhere; }
  .dim, summary { color: var(--dim); }
  .warn { color: var(--accent); }
  .superseded { position: sticky; top: 0; margin: 0 0 12px; padding: 8px 12px; background: var(--warned); color: var(--accent);
    border-left: 3px solid var(--accent); font-weight: 600; }
  button { font: inherit; min-height: 24px; margin-left: 6px; padding: 0 8px; color: inherit; background: var(--raised);
    border: 1px solid var(--edge); border-radius: 4px; cursor: pointer; }
  :focus-visible { outline: 2px solid var(--focus); outline-offset: 1px; }
  .place { display: grid; grid-template-columns: 1fr auto; gap: 12px; align-items: start; padding: 4px 0; border-top: 1px solid var(--line); }
  .place p::first-letter { text-transform: uppercase; }
  .looks { display: flex; flex-wrap: wrap; gap: 4px; justify-content: flex-end; }
  summary { cursor: pointer; margin-top: 24px; min-height: 24px; }
`;

export class ReportElement extends HTMLElement {
  constructor() {
    super();
    const root = this.attachShadow({ mode: 'open' });
    const style = document.createElement('style');
    style.textContent = STYLE;
    this.stage = document.createElement('article');
    root.append(styleSheet('colours.css'), style, this.stage);
    this.shown = '';
    this.told = '';
    this.follows = () => {};
    this.bare = () => {};
  }

  connectedCallback() {
    this.bare = wearTheme(this);
  }

  disconnectedCallback() {
    this.bare();
    this.follows();
    this.shown = '';
  }

  /**
   * @param {any} displaySet of our report handler
   * @param {(uid: string) => void} showImage
   */
  show(displaySet, showImage) {
    const instance = displaySet?.instance;
    // The viewer renders on every change of its grid; the same document is not built again.
    if (!instance || this.shown === instance.SOPInstanceUID) return;
    this.shown = instance.SOPInstanceUID;
    this.follows();
    const session = knownSession(instance.StudyInstanceUID);
    const standing = () => (session ? superseded(session, instance.SOPInstanceUID) : '');
    const draw = () => this.draw(() => document_(instance, displaySet.instances, showImage, (this.told = standing())));
    draw();
    // A colleague, or this reader, may replace or withdraw it while it is on the screen.
    this.follows = session?.subscribe(() => standing() !== this.told && draw()) ?? (() => {});
  }

  draw(/** @type {() => any[]} */ made) {
    try {
      patch(this.stage, made());
    } catch (error) {
      console.error('sesamoid', error);
      this.stage.textContent = text.failed;
    }
  }
}

function document_(instance, versions, showImage, superseding) {
  const { body, places, coded, context } = reportLines(instance);
  // What was found, with its images, follows the first part: in our reports the impressions.
  const second = body.findIndex((line, i) => i > 0 && 'level' in line && line.level === 2);
  const split = second < 0 ? body.length : second;
  const lines = (all, key) => all.map((line, i) => node(line, `${key}${i}`, showImage));
  const { complete, verified, by, at } = standing(instance);
  const place = byAge(versions).indexOf(instance) + 1;
  return [
    superseding && h('p', { key: 'superseded', class: 'superseded', role: 'status' }, `▲ ${superseding}`),
    h('h1', { key: 'title' }, person(instance.PatientName) || strings.unnamed),
    h('p', { key: 'state', class: verified ? 'dim' : 'warn' },
      verified ? `${text.signedBy} ${by}, ${dateTime(at)}` : complete ? text.unsigned : text.notReport,
      versions.length > 1 && ` · ${text.version(place, versions.length)}`),
    body.length ? lines(body.slice(0, split), 'a') : h('p', { class: 'dim' }, text.empty),
    places.length > 0 && h('section', { key: 'places', class: 'places' }, h('h2', null, text.places), places.map((place, i) => placeNode(place, String(i), showImage))),
    lines(body.slice(split), 'b'),
    coded.length > 0 && h('details', { key: 'coded' }, h('summary', null, text.coded), lines(coded, 'd')),
    context.length > 0 && h('details', { key: 'context' }, h('summary', null, text.context), lines(context, 'c')),
  ];
}

function node(line, key, showImage) {
  if ('heading' in line) return h(`h${line.level}`, { key }, line.heading);
  return h('p', { key }, line.sentence, line.detail && h('span', { class: 'dim' }, ` (${line.detail})`),
    line.images.map(uid => h('button', { key: uid, onclick: () => showImage(uid) }, text.image)));
}

function placeNode({ sentence, detail, images }, key, showImage) {
  return h('div', { key, class: 'place' },
    h('p', null, sentence, detail && h('span', { class: 'dim' }, ` · ${detail}`)),
    h('div', { class: 'looks' }, images.map(({ uid, label }) => h('button', { key: `${uid} ${label}`, onclick: () => showImage(uid) }, label || text.image))));
}

function dateTime(dt) {
  const m = /^(\d{4})(\d\d)(\d\d)(\d\d)?(\d\d)?/.exec(dt);
  return m ? `${m[1]}-${m[2]}-${m[3]}${m[4] ? ` ${m[4]}:${m[5] ?? '00'}` : ''}` : dt;
}

if (!customElements.get('sesamoid-report')) customElements.define('sesamoid-report', ReportElement);
