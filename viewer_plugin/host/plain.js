// @ts-check
/**
 * The panel's host where there is no web viewer: plain images on our own page (`/plain`), so that
 * any other viewer can open the panel by an address with the UID of a study.
 */

import { strings } from '../panel/strings.js';
import { grid, inOrder } from './hanging.js';
import { newId } from './ids.js';
import { LayerControl } from './layer_svg.js';
import { PlainView } from './plain_view.js';

/** @typedef {import('./host.js').Host} Host */
/** @typedef {import('./plain_view.js').Facts} Facts */
/** @typedef {import('./plain_marks.js').Mark} Mark */
/** @typedef {'window'|'pan'|'zoom'|'length'|'angle'} Tool */

const MOST = 4;
const FIRST = 2;

/** @implements {Host} */
export class PlainHost {
  /**
   * @param {HTMLElement} stage where the images go
   * @param {string} study
   * @param {any[]} images facts of the images of the study
   * @param {() => void} [onTool] called when another tool is in the hand
   */
  constructor(stage, study, images, onTool = () => {}) {
    this.stage = stage;
    this.study = study;
    /** @type {Map<string, Facts>} */
    this.known = new Map(images.map(image => [image.uid, { ...image, study }]));
    this.onTool = onTool;
    /** @type {Tool} */
    this.tool = 'window';
    /** @type {PlainView[]} */
    this.views = [];
    /** @type {Map<string, Mark>} */
    this.marks = new Map();
    this.readOnly = false;
    this.watchers = new Set();
    this.layers = new LayerControl();
    this.measurers = new Set();
    /** What was shown before two studies were put beside each other. @type {string[] | null} */
    this.before = null;
    /** Image of the upper row -> its partner. @type {Map<string, string>} */
    this.partners = new Map();
    const order = inOrder(images.map(image => ({ uid: image.uid, series: image.series_number, instance: image.instance_number })), /** @type {any} */ (this.known));
    this.#lay(order.slice(0, Math.min(FIRST, order.length)).map(image => image.uid));
  }

  images() {
    return this.views.map((view, i) => ({ uid: view.facts.uid, viewportId: `plain-${i}` }));
  }

  show(uids) {
    const wanted = uids.filter(uid => this.known.has(uid));
    const shown = this.views.map(view => view.facts.uid);
    const missing = wanted.filter(uid => !shown.includes(uid));
    if (!missing.length) {
      if (wanted.length === 1) this.activate(this.views[shown.indexOf(wanted[0])]);
      return;
    }
    if (this.partners.size) return this.#showPairs(missing);
    const kept = shown.filter(uid => wanted.includes(uid));
    const room = Math.min(Math.max(shown.length, Math.min(wanted.length, FIRST)), MOST);
    const coming = missing.slice(0, room - kept.length);
    // Those that stay keep their place; the last that is not named goes first.
    let free = shown.length + coming.length - room;
    const left = [...shown].reverse().filter(uid => kept.includes(uid) || free-- <= 0).reverse();
    this.#lay(shown.length === left.length ? [...left, ...coming] : filled(shown, left, coming));
  }

  #showPairs(missing) {
    const pair = missing.map(uid => [uid, this.partners.get(uid)]).find(([, partner]) => partner);
    if (!pair) return;
    const columns = this.views.length / 2;
    const shown = this.views.map(view => view.facts.uid);
    [shown[columns - 1], shown[2 * columns - 1]] = /** @type {[string, string]} */ (pair);
    this.#lay(shown, 2);
  }

  #lay(uids, rows = grid(uids.length, this.stage.clientWidth / this.stage.clientHeight).rows) {
    const old = new Map(this.views.map(view => [view.facts.uid, view]));
    const facts = uids.map(uid => this.known.get(uid));
    this.views = facts.flatMap(one => (one ? [old.get(one.uid) ?? new PlainView(one, this)] : []));
    for (const view of old.values()) if (!this.views.includes(view)) view.close();
    this.stage.style.setProperty('--rows', String(rows));
    this.stage.style.setProperty('--columns', String(Math.ceil(this.views.length / rows)));
    // Put in again only what moved: an element that is moved loses the focus.
    this.views.forEach((view, i) => {
      if (this.stage.children[i] !== view.element) this.stage.insertBefore(view.element, this.stage.children[i] ?? null);
    });
    for (const watcher of [...this.watchers]) watcher();
  }

  /** The view that keys and buttons of the page work on. */
  activate(view) {
    this.active = view;
    for (const one of this.views) one.element.classList.toggle('active', one === view);
  }

  zoomTo(uid, { x, y, fov }) {
    const view = this.views.find(one => one.facts.uid === uid);
    if (!view?.ready) return false;
    view.camera.lookAt(x, y, fov);
    view.draw();
    view.camera.note();
    return true;
  }

  /** An image has its place on the page; without one, an image could not be loaded or now could. @param {string} [uid] */
  arrived(uid) {
    for (const watcher of [...this.watchers]) watcher(uid);
  }

  failed() {
    return this.views.filter(view => view.failed).map(view => view.facts.uid);
  }

  again(uid) {
    this.views.find(view => view.facts.uid === uid)?.load();
  }

  whole() {
    for (const view of this.views) view.whole();
  }

  /** The partner of a pair does what the hand did to this one, from where it stands. */
  follow(view) {
    const columns = this.views.length / 2;
    const at = this.views.indexOf(view);
    const other = this.partners.size && this.views[at < columns ? at + columns : at - columns];
    if (other) {
      other.camera.follow(view.camera);
      other.draw();
    }
    view.camera.note();
  }

  choose(/** @type {Tool} */ tool) {
    this.tool = tool;
    for (const view of this.views) view.marks.clear();
    this.stage.dataset.tool = tool;
    for (const view of this.views) view.draw();
    this.onTool();
  }

  startTool(kind) {
    this.choose(kind);
    const target = this.active && this.views.includes(this.active) ? this.active : this.views[0];
    target?.say(strings.plain.point(1, kind === 'length' ? 2 : 3));
    target?.element.focus({ preventScroll: true });
  }

  usualTool() {
    this.choose('window');
  }

  stopTool() {
    const drawing = this.tool === 'length' || this.tool === 'angle';
    if (drawing) this.usualTool();
    return drawing;
  }

  marksOf(uid) {
    return [...this.marks.values()].filter(mark => mark.view === uid);
  }

  /** Drawn by hand. */
  drawn(view, kind, points) {
    const id = newId();
    this.marks.set(id, { id, view: view.facts.uid, kind, points });
    this.usualTool();
    this.#tell({ type: 'done', id, uid: view.facts.uid, kind, points });
  }

  /** Being moved by hand; told when it rests. */
  reshape(id, points) {
    const mark = this.marks.get(id);
    if (!mark) return;
    this.marks.set(id, { id, view: mark.view, kind: mark.kind, points });
    this.#redraw(mark.view);
  }

  changed(id) {
    const mark = this.marks.get(id);
    if (mark && mark.value === undefined) this.#tell({ type: 'changed', id, uid: mark.view, kind: mark.kind, points: mark.points });
  }

  removed(id) {
    if (this.readOnly || !this.marks.has(id)) return;
    this.removeMeasurement(id);
    this.#tell({ type: 'removed', id });
  }

  #tell(event) {
    for (const call of [...this.measurers]) call(event);
  }

  #redraw(uid) {
    for (const view of this.views) if (view.facts.uid === uid) view.draw();
  }

  onMeasurement(callback) {
    this.measurers.add(callback);
    return () => this.measurers.delete(callback);
  }

  removeMeasurement(id) {
    const mark = this.marks.get(id);
    this.marks.delete(id);
    if (mark) this.#redraw(mark.view);
  }

  drawMeasurements(measurements) {
    this.marks = new Map(measurements.map(mark => [mark.id, mark]));
    for (const view of this.views) view.draw();
  }

  drawLayer(layer) {
    this.layers.layer = layer;
    for (const view of this.views) view.layer.render();
  }

  onHandle(callback) {
    return this.layers.subscribe(callback);
  }

  pick(callback, trace = false) {
    this.layers.picking = callback;
    this.layers.tracing = trace;
    for (const view of this.views) view.layer.render();
  }

  #layerOf(uid) {
    return this.views.find(view => view.facts.uid === uid)?.layer;
  }

  /** @returns {[number, number]} */
  nudged(uid, point, right, down) {
    return this.#layerOf(uid)?.nudged(point, right, down) ?? [point[0] + right, point[1] + down];
  }

  /** @returns {[number, number] | null} */
  middle(uid) {
    return this.#layerOf(uid)?.middle() ?? null;
  }

  onImagesChanged(callback) {
    this.watchers.add(callback);
    return () => this.watchers.delete(callback);
  }

  /** The version of the report that it belongs to, as it was printed: this page shows no documents. */
  openDocument(_series, uid, study = this.study) {
    window.open(`/api/studies/${study}/report.pdf?document=${encodeURIComponent(uid)}`, '_blank', 'noopener');
  }

  /** Images hang here as the node says already; the window is the presentation state's. */
  present({ uid, window }) {
    for (const view of this.views.filter(view => view.facts.uid === uid && window && view.window.exact)) {
      view.window.wanted = { ...window };
      view.windowed();
    }
  }

  /** @param {import('./host.js').Beside} plan */
  async beside({ study, images, pairs }) {
    const wanted = new Set(pairs.flat());
    for (const image of images) {
      if (!wanted.has(image.uid) || this.known.has(image.uid)) continue;
      const size = await sizeOf(study, image);
      if (size) this.known.set(image.uid, { ...image, ...size, study });
    }
    const shown = pairs.filter(pair => pair.every(uid => this.known.has(uid))).slice(0, MOST - 1);
    if (!shown.length) return false;
    this.before ??= this.views.map(view => view.facts.uid);
    this.partners = new Map(pairs);
    this.#lay([0, 1].flatMap(row => shown.map(pair => pair[row])), 2);
    return true;
  }

  alone() {
    const { before } = this;
    this.before = null;
    this.partners.clear();
    if (before) this.#lay(before);
  }
}

/** `coming` in the places of those of `shown` that are not `left`. */
function filled(shown, left, coming) {
  const waiting = [...coming];
  const placed = shown.flatMap(uid => (left.includes(uid) ? [uid] : waiting.splice(0, 1)));
  return [...placed, ...waiting];
}

/** Rows and columns of an image of another study; null: it is not here. */
async function sizeOf(study, { series_uid, uid }) {
  try {
    const answer = await fetch(`/dicomweb/studies/${study}/series/${series_uid}/instances/${uid}/metadata`);
    const [header] = await answer.json();
    const [rows, columns] = ['00280010', '00280011'].map(tag => Number(header[tag]?.Value?.[0]));
    return rows && columns ? { rows, columns } : null;
  } catch {
    return null;
  }
}
