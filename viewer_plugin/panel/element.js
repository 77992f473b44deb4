// @ts-check
/**
 * <sesamoid-panel>: draws the session of a study and hands keys and measurements to it.
 * Set `.study` and `.host` before it is connected. Importing this file defines nothing; see
 * define.js.
 */

import * as answering from './answering.js';
import { carryOut } from './commands.js';
import { delivering } from './delivery.js';
import { patch } from './dom.js';
import { command, isEditable, isEmptySearch, isPressable } from './keys.js';
import { language } from './language.js';
import { maps } from './maps.js';
import { mapFor } from './map_state.js';
import { Guiding, ghosts } from './guiding.js';
import { landmarksOf } from './landmarks.js';
import { emptyLayer, joinedLayers } from '../host/layer.js';
import { outlinesOf } from './outlines.js';
import { numberText } from './numbers.js';
import { isEye, members, sheetGroup } from './groups.js';
import { noteEnd } from './group_sheet.js';
import { askedViews } from './reading.js';
import { sessionOf } from './store.js';
import { strings } from './strings.js';
import { styleSheet, wearTheme } from './theme.js';
import { panelView } from './view.js';
import { Writing } from './writing.js';

/** Dispatched on the document for keys pressed outside of the panel; detail: the command. */
export const KEY_EVENT = 'sesamoid:command';

export class PanelElement extends HTMLElement {
  constructor() {
    super();
    this.study = '';
    /** @type {import('../host/host.js').Host | null} */
    this.host = null;
    /** @type {import('./session.js').Session | null} */
    this.session = null;
    this.undo = [];
    /** Something changed since the panel was drawn. */
    this.due = false;
    this.drawn = '';
    this.layered = '';
    this.concluded = { count: 0, signed: false, refused: '', deed: '' };
    this.guiding = new Guiding();
    /** @type {Writing | null} */
    this.writing = null;
    /** @type {any} */
    this.measurements = null;
    const root = this.attachShadow({ mode: 'open' });
    this.stage = document.createElement('div');
    this.stage.className = 'panel';
    root.append(...['./panel.css', './conclude.css', './measuring.css', './outlines.css', './writing.css', './colours.css'].map(styleSheet), this.stage);
  }

  /**
   * The viewer blurs whatever has the focus as soon as the pointer enters the images. A half
   * written note must not lose its keys to commands, so that wish is not granted.
   */
  blur() {}

  connectedCallback() {
    if (!this.study || !this.host || this.undo.length) return;
    this.setAttribute('role', 'region');
    this.setAttribute('aria-label', strings.panel);
    this.setAttribute('lang', language);
    const session = (this.session = sessionOf(this.study));
    this.writing = new Writing(session, this.stage, () => this.settle());
    this.undo = [...this.#followHost(session, this.host), ...this.#listen(session)];
    maps().then(() => this.draw());
    this.draw();
    this.imagesChanged();
  }

  /** What happens in the viewer and in the session; returns how to stop. */
  #followHost(session, host) {
    return [
      session.subscribe(() => this.drawSoon()),
      wearTheme(this),
      host.onImagesChanged(uid => this.imagesChanged(uid)),
      host.onMeasurement(event => this.measured(event)),
      host.onHandle(event => this.handled(event)),
      () => this.leaveLayer(),
      () => this.writing?.leave(),
    ];
  }

  /** What the reader and the page do; returns how to stop. */
  #listen(session) {
    const onCommand = event => this.run(event.detail);
    document.addEventListener(KEY_EVENT, onCommand);
    for (const type of ['keydown', 'keypress', 'keyup']) this.addEventListener(type, this.onKey);
    this.stage.addEventListener('mousedown', event => this.keepFocus(event));
    const onPage = () => noteEnd(session, this.stage);
    this.stage.addEventListener('scroll', onPage, true);
    const resized = new ResizeObserver(onPage);
    resized.observe(this.stage);
    this.stage.addEventListener('transitionend', onPage);
    const onPointer = event => event.composedPath().includes(this) || this.leaveText();
    window.addEventListener('pointerdown', onPointer, true);
    const poll = setInterval(() => session.status === 'ready' && delivering(session) && session.refresh().catch(() => {}), 2000);
    // Another reader may have signed, or a newer version have come, while this page was away.
    const onFocus = () => session.status === 'ready' && session.queue.clean && !session.signing.busy && session.refresh().catch(() => {});
    window.addEventListener('focus', onFocus);
    return [
      () => document.removeEventListener(KEY_EVENT, onCommand),
      () => window.removeEventListener('pointerdown', onPointer, true),
      () => window.removeEventListener('focus', onFocus),
      () => clearInterval(poll),
      () => resized.disconnect(),
    ];
  }

  disconnectedCallback() {
    for (const undo of this.undo.splice(0)) undo();
  }

  /** One key changes several things; they are drawn together as soon as all are done. */
  drawSoon() {
    if (this.due) return;
    this.due = true;
    queueMicrotask(() => this.settle());
  }

  /** What stands on the page is what the session says. */
  settle() {
    if (this.due) this.draw();
  }

  draw() {
    this.due = false;
    const { session, host } = this;
    if (!session || !host || !this.isConnected) return;
    const before = this.shadowRoot?.activeElement ?? null;
    try {
      const species = session.opening?.facts.signalment.species ?? '';
      const map = session.status === 'ready' ? mapFor(maps.loaded, species, session.template, session.currentItem?.region) : null;
      patch(this.stage, panelView({ session, host, map, writing: this.writing, run: wanted => this.run(wanted) }));
    } catch (error) {
      console.error(error);
      this.stage.textContent = `${strings.broken} ${error}`;
    }
    this.follow(before);
    noteEnd(session, this.stage);
    if (session.status === 'ready') landmarksOf(session).look();
    this.showSigned();
    this.showItem();
    this.showMeasurements();
    this.showLayer();
  }

  /** What is being computed, and what was accepted of this structure, lies over the images. */
  showLayer() {
    const { session, host } = this;
    if (!session || !host || session.status !== 'ready') return;
    const { measuring } = session;
    const landmarks = landmarksOf(session);
    const rings = outlinesOf(session);
    const above = landmarks.active ? landmarks.layer() : joinedLayers(measuring.layer(numberText), ghosts(session));
    const signed = session.section === 'conclude' && !measuring.active && session.presented?.layer;
    const layer = signed || joinedLayers(rings.layer(), session.walking || measuring.active ? above : emptyLayer());
    const picker = this.hand();
    const said = JSON.stringify(layer) + landmarks.active + rings.active + picker.picking;
    if (said === this.layered) return;
    this.layered = said;
    host.drawLayer(layer);
    host.pick(picker.picking ? picked => picker.place(picked) : null, rings.active);
  }

  /** What handles and clicks on the images are for. @returns {any} */
  hand() {
    const session = /** @type {import('./session.js').Session} */ (this.session);
    return [landmarksOf(session), outlinesOf(session)].find(one => one.active) ?? session.measuring;
  }

  /** Where the pointer let go of a mark the arrow keys go on. */
  handled(event) {
    this.hand().handle(event);
    if (event.type === 'moved') this.focusOn(`[data-landmark="${CSS.escape(event.id)}"]`) || this.focusOn('.landmark.chosen');
  }

  leaveLayer() {
    this.layered = '';
    this.host?.pick(null);
    this.host?.drawLayer(emptyLayer());
  }

  /** Focus stays where the reader works although the thing under it was replaced. */
  follow(before) {
    const { session } = this;
    const { stage, offer, offers, chosen } = session?.measuring ?? {};
    const measuring = `${stage === 'choosing'} ${offer?.title} ${Boolean(offers)} ${chosen}`;
    const at = `${session?.item} ${session?.editing} ${session?.sheet} ${session?.section} ${session?.help} ${measuring}`;
    const moved = at !== this.at;
    this.at = at;
    if (!moved) return;
    // A key over the images may open these two; what is typed next belongs to them.
    const elsewhere = before === null && isEditable(document.activeElement);
    if (session?.help && !elsewhere) return this.focusOn('[data-help]');
    if (session?.measuring.active) return before !== null && this.followMeasuring();
    if (session?.editing && !elsewhere) return this.focusOn('[data-field="search"]');
    if (before === null) return;
    if (session?.sheet) return this.focusOn('[data-card]');
    const now = this.shadowRoot?.activeElement;
    if (!now || now.matches('[role=option], .row, [data-field="search"]')) this.focusPlace();
  }

  followMeasuring() {
    const places = [`[data-landmark="${this.session?.measuring.chosen}"]`, '[data-first-offer] button', '[data-measure]'];
    places.some(place => this.focusOn(place));
  }

  /** What was signed, or opened again, stands at the top of the conclusion; a refusal and a form come to sight. */
  showSigned() {
    const { session, concluded: before } = this;
    if (!session) return;
    const { documents = [], signed, signing, deed } = session;
    this.concluded = { count: documents.length, signed, refused: signing.error, deed };
    const find = selector => /** @type {HTMLElement | null} */ (this.stage.querySelector(`.conclude ${selector}`));
    if (documents.length > before.count || (before.signed && !signed)) this.stage.querySelector('.conclude')?.scrollTo(0, 0);
    if (signing.error && signing.error !== before.refused) find('[role=alert]')?.scrollIntoView({ block: 'center' });
    if (!deed || deed === before.deed) return;
    find('form textarea')?.focus({ preventScroll: true });
    find('form [type=submit]')?.scrollIntoView({ block: 'nearest' });
  }

  focusPlace() {
    this.focusOn('[data-place=map]') || this.focusOn('[data-place]') || this.focusOn('[data-card]');
  }

  focusOn(selector) {
    this.settle();
    const target = this.stage.querySelector(selector);
    /** @type {HTMLElement | null} */ (target)?.focus({ preventScroll: false });
    return Boolean(target);
  }

  /** The viewports follow the structure: the images that can show it come to the screen. */
  showItem() {
    const { session, host } = this;
    const item = session?.status === 'ready' && session.walking && session.currentItem;
    const place = `${item && item.id} ${session?.sheet}`;
    if (!session || !host || !item) return;
    const group = sheetGroup(session.template, session.sheet);
    const items = group ? members(session.template, group) : [item];
    if (this.drawn !== place) this.bring(items, place);
    this.guiding.follow(session, host, isEye(session.sheet) ? [] : items);
  }

  bring(items, place) {
    const { session, host } = this;
    if (!session || !host) return;
    this.drawn = place;
    const uids = [...new Set(items.flatMap(one => askedViews(session.template, one).map(view => view.uid)))];
    if (uids.length) host.show(uids);
  }

  /** What was undone, loaded or taken from another tab is drawn on the images again. */
  showMeasurements() {
    const wanted = this.session?.reading?.measurements;
    if (!wanted || wanted === this.measurements) return;
    this.measurements = wanted;
    this.host?.drawMeasurements(wanted.filter(m => !m.computed));
  }

  /** @param {string} [uid] of an image that was put on the screen anew */
  imagesChanged(uid) {
    this.guiding.arrived(uid);
    this.measurements = null;
    this.layered = '';
    this.draw();
  }

  measured(event) {
    if (this.session?.status !== 'ready') return;
    if (event.type === 'removed') answering.measurementRemoved(this.session, event.id);
    else answering.measured(this.session, event);
  }

  onKey(event) {
    event.stopPropagation(); // The viewer has keys of its own.
    if (event.type !== 'keydown') return;
    if (this.writing?.onKey(event)) return;
    const target = event.composedPath()[0];
    const wanted = command(event);
    if (isEditable(target) && !(isEmptySearch(target) && ['undo', 'redo'].includes(wanted?.name ?? ''))) {
      if (event.key === 'Escape') this.leaveField();
      return;
    }
    const presses = event.key === ' ' && !event.shiftKey && isPressable(target);
    if (!wanted || presses || event.defaultPrevented) return;
    event.preventDefault();
    this.run(wanted);
  }

  /** A click on a button does its work and leaves the focus on the structure being read. */
  keepFocus(event) {
    if (!event.target.closest?.('button') || event.target.closest('form')) return;
    event.preventDefault();
    if (!event.target.closest('[data-keeps-field]')) this.leaveText();
  }

  /** Keys after a click are commands, not text: on the images the browser would keep the field. */
  leaveText() {
    const field = this.shadowRoot?.activeElement;
    if (isEditable(field)) /** @type {HTMLElement} */ (field).blur();
  }

  leaveField() {
    if (this.session?.editing) this.session.update({ editing: '' });
    this.focusPlace();
  }

  /** @param {{name: string, index?: number}} wanted */
  run({ name, index = 0 }) {
    const { session, host } = this;
    if (session?.status === 'ready' && host) carryOut({ panel: this, session, host, index }, name);
  }

  landmarks() {
    const { session, host } = this;
    if (!session || !host) return;
    const landmarks = landmarksOf(session);
    if (landmarks.active) return landmarks.close();
    landmarks.open();
    if (!landmarks.active) return session.update({ message: strings.tour.none });
    host.show(landmarks.views.map(({ view }) => view.uid).filter(uid => session.template.views.some(view => view.uid === uid)));
    host.whole();
    this.focusOn('[data-landmarks]');
  }

  outline() {
    const { session, host } = this;
    if (!session || !host) return;
    if (outlinesOf(session).active) return outlinesOf(session).close();
    landmarksOf(session).close();
    outlinesOf(session).open(host);
    if (outlinesOf(session).active) this.focusOn('[data-part=place]');
  }

  measure() {
    const { session } = this;
    if (!session || session.signed) return;
    if (!session.measuring.active) session.measuring.open();
    this.focusOn('[data-measure]');
  }

  close() {
    const { session } = this;
    if (session?.help) return session.update({ help: '' });
    if (this.host?.stopTool()) return session?.update({ message: '' });
    if (session && landmarksOf(session).active) return landmarksOf(session).close();
    if (session && outlinesOf(session).active) return outlinesOf(session).close();
    if (session?.measuring.active) return session.measuring.back();
    if (session?.section === 'before') return session.back();
    if (session?.sheet || session?.editing) session.update({ sheet: '', editing: '' });
  }

  /** The first press goes to a proposal, the next one takes it over: nothing is set unseen. */
  takeOver(proposal) {
    const here = this.shadowRoot?.activeElement;
    if (!here?.matches(proposal)) return this.focusOn(proposal);
    /** @type {HTMLElement} */ (here).click();
    // The button went with the press; the next proposal is at hand.
    this.settle();
    if (!here.isConnected) this.focusOn(proposal) || this.focusOn('[data-place]');
  }

  chooseView(view) {
    if (!view) return;
    this.session?.update({ view: view.uid });
    this.host?.show([view.uid]);
  }
}
