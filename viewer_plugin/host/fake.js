// @ts-check
/** A host without a viewer: remembers what it was asked, and can play the reader's hand. */

import { emptyLayer } from './layer.js';

/** @typedef {import('./host.js').Host} Host */

/** @implements {Host} */
export class FakeHost {
  /** @param {string[]} uids images of the study; the first four are on the screen */
  constructor(uids) {
    this.shown = uids.slice(0, 4);
    /** @type {any[][]} */
    this.calls = [];
    /** @type {Map<string, any>} */
    this.drawn = new Map();
    this.watchers = new Set();
    this.measurers = new Set();
    this.tool = '';
    /** What cannot be loaded. @type {Set<string>} */
    this.failing = new Set();
    this.layer = emptyLayer();
    /** @type {((picked: import('./host.js').Picked) => void) | null} */
    this.picking = null;
    this.handlers = new Set();
    /** @type {string[] | null} */
    this.alone_ = null;
  }

  images() {
    return this.shown.map((uid, i) => ({ uid, viewportId: `fake-${i}` }));
  }

  show(uids) {
    this.calls.push(['show', ...uids]);
    for (const uid of uids.filter(one => !this.shown.includes(one))) {
      const place = this.shown.findIndex(one => !uids.includes(one));
      if (place >= 0) this.shown[place] = uid;
    }
    for (const watcher of [...this.watchers]) watcher();
  }

  zoomTo(uid, place) {
    this.calls.push(['zoomTo', uid, place]);
    return this.shown.includes(uid);
  }

  whole() {
    this.calls.push(['whole']);
  }

  startTool(kind) {
    this.tool = kind;
    this.calls.push(['startTool', kind]);
  }

  stopTool() {
    const drawing = Boolean(this.tool);
    this.tool = '';
    return drawing;
  }

  onMeasurement(callback) {
    this.measurers.add(callback);
    return () => this.measurers.delete(callback);
  }

  removeMeasurement(id) {
    this.drawn.delete(id);
    this.calls.push(['removeMeasurement', id]);
  }

  drawMeasurements(measurements) {
    for (const m of measurements) this.drawn.set(m.id, m);
  }

  drawLayer(layer) {
    this.layer = layer;
  }

  onHandle(callback) {
    this.handlers.add(callback);
    return () => this.handlers.delete(callback);
  }

  pick(callback) {
    this.picking = callback;
  }

  nudged(uid, point, right, down) {
    return /** @type {[number, number]} */ ([point[0] + right, point[1] + down]);
  }

  middle(uid) {
    return this.shown.includes(uid) ? /** @type {[number, number]} */ ([150, 180]) : null;
  }

  /** What a reader does with a handle. */
  moveHandle(id, point) {
    for (const call of [...this.handlers]) call({ type: 'moved', id, point });
  }

  onImagesChanged(callback) {
    this.watchers.add(callback);
    return () => this.watchers.delete(callback);
  }

  openDocument(series, uid, ...study) {
    this.calls.push(['openDocument', series, uid, ...study]);
  }

  failed() {
    return this.shown.filter(uid => this.failing.has(uid));
  }

  again(uid) {
    this.calls.push(['again', uid]);
    this.fail(uid, false);
  }

  /** What happens to an image on its way. */
  fail(uid, now = true) {
    if (now) this.failing.add(uid);
    else this.failing.delete(uid);
    for (const watcher of [...this.watchers]) watcher();
  }

  present(as) {
    this.calls.push(['present', as]);
  }

  beside(plan) {
    this.calls.push(['beside', plan.study, ...plan.pairs]);
    this.alone_ ??= this.shown;
    this.shown = plan.pairs.flat();
    for (const watcher of [...this.watchers]) watcher();
    return true;
  }

  alone() {
    this.calls.push(['alone']);
    this.shown = this.alone_ ?? this.shown;
    this.alone_ = null;
    for (const watcher of [...this.watchers]) watcher();
  }

  /** What a reader does with the tool that was started. */
  draw(id, uid, points) {
    this.drawn.set(id, { id, view: uid, kind: this.tool, points });
    for (const call of [...this.measurers]) call({ type: 'done', id, uid, kind: this.tool, points });
  }
}
