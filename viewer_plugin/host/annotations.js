// @ts-check
/** Lengths and angles among the host viewer's annotations, as points in image pixels. */

import { newId } from './ids.js';

const KIND = { Length: 'length', Angle: 'angle' };
const TOOL = { length: 'Length', angle: 'Angle' };
const SETTLE_MS = 250;

export class Annotations {
  /** @param {import('./ohif.js').OhifHost} host */
  constructor(host) {
    this.host = host;
    this.service = null;
    this.callbacks = new Set();
    this.stops = /** @type {(() => void)[]} */ ([]);
    /** @type {Map<string, any>} */
    this.waiting = new Map();
    /** Points last told or drawn, so that an event without a change is not passed on. */
    this.known = new Map();
  }

  start(service) {
    this.service = service;
    const on = (name, callback) => this.stops.push(service.subscribe(service.EVENTS[name], safe(callback)).unsubscribe);
    on('MEASUREMENT_ADDED', ({ measurement }) => this.#settle(measurement, 'done', 0));
    on('MEASUREMENT_UPDATED', ({ measurement }) => this.#settle(measurement, 'changed', SETTLE_MS));
    on('MEASUREMENT_REMOVED', ({ measurement }) => this.#removed(measurement?.uid ?? measurement));
  }

  stop() {
    for (const stop of this.stops.splice(0)) stop();
    for (const timer of this.waiting.values()) clearTimeout(timer);
    this.waiting.clear();
    this.known.clear();
  }

  subscribe(callback) {
    this.callbacks.add(callback);
    return () => this.callbacks.delete(callback);
  }

  /** Changes come many times while a line is being drawn: only the last one counts. */
  #settle(measurement, type, ms) {
    const kind = KIND[measurement.toolName ?? measurement.metadata?.toolName];
    if (!kind) return;
    // While a new one is being drawn the viewer sends changes before it says "added".
    if (type === 'changed' && !this.known.has(measurement.uid)) return;
    clearTimeout(this.waiting.get(measurement.uid));
    this.waiting.set(measurement.uid, setTimeout(safe(() => this.#tell(measurement, kind, type)), ms));
  }

  #tell(measurement, kind, type) {
    this.waiting.delete(measurement.uid);
    const imageId = measurement.referencedImageId ?? measurement.metadata?.referencedImageId;
    const annotation = this.#tools().annotation.state.getAnnotation(measurement.uid);
    const world = annotation?.data.handles.points ?? measurement.points;
    const points = world.map(point => this.#toPixel(imageId, point));
    const text = JSON.stringify(points);
    if (this.known.get(measurement.uid) === text) return;
    this.known.set(measurement.uid, text);
    const uid = measurement.SOPInstanceUID ?? this.host.uidOf(imageId);
    for (const call of [...this.callbacks]) call({ type, id: measurement.uid, uid, kind, points });
  }

  #toPixel(imageId, point) {
    const [column, row] = this.host.cornerstone.utilities.worldToImageCoords(imageId, point);
    return /** @type {[number, number]} */ ([round(column), round(row)]);
  }

  #tools() {
    return /** @type {any} */ (window).cornerstoneTools;
  }

  #removed(id) {
    if (!this.known.delete(id)) return;
    for (const call of [...this.callbacks]) call({ type: 'removed', id });
  }

  remove(id) {
    this.known.delete(id); // Our own wish is not told back to us.
    if (this.service?.getMeasurement(id)) this.service.remove(id);
    this.#tools()?.annotation.state.removeAnnotation(id);
    this.#render();
  }

  /** Draw what is not there yet on the images that are shown; take away what was undone. */
  draw(measurements) {
    const tools = this.#tools();
    if (!tools) return;
    const wanted = new Set(measurements.map(m => m.id));
    for (const id of [...this.known.keys()]) if (!wanted.has(id)) this.remove(id);
    for (const m of measurements) this.#put(tools, m);
  }

  /** Set point by point on the layer above the images; from now on it is moved like any other. */
  add({ kind, uid, points }) {
    const m = { id: newId(), view: uid, kind, points: points.map(point => point.map(round)) };
    this.#put(this.#tools(), m);
    for (const call of [...this.callbacks]) call({ type: 'done', id: m.id, uid, kind, points: m.points });
  }

  #put(tools, m) {
    const shown = this.host.images().find(image => image.uid === m.view);
    const viewport = shown && this.host.viewport(shown.viewportId);
    const imageId = viewport?.getCurrentImageId?.();
    if (!imageId || this.host.uidOf(imageId) !== m.view) return;
    const text = JSON.stringify(m.points);
    if (tools.annotation.state.getAnnotation(m.id)) {
      if (this.known.get(m.id) !== text) this.#move(tools, m, imageId, text);
      return;
    }
    this.known.set(m.id, text);
    this.#add(tools, m, viewport, imageId);
  }

  #world(m, imageId) {
    return m.points.map(point => this.host.cornerstone.utilities.imageToWorldCoords(imageId, point));
  }

  #move(tools, m, imageId, text) {
    this.known.set(m.id, text);
    const annotation = tools.annotation.state.getAnnotation(m.id);
    annotation.data.handles.points = this.#world(m, imageId);
    annotation.invalidated = true;
    this.#render();
  }

  #add(tools, m, viewport, imageId) {
    const { viewPlaneNormal, viewUp } = viewport.getCamera();
    tools.annotation.state.addAnnotation(
      {
        annotationUID: m.id,
        highlighted: false,
        isLocked: false,
        isVisible: true,
        invalidated: true,
        metadata: { ...viewport.getViewReference(), toolName: TOOL[m.kind], referencedImageId: imageId, viewPlaneNormal, viewUp },
        data: {
          label: '',
          cachedStats: {},
          handles: {
            points: this.#world(m, imageId),
            activeHandleIndex: null,
            textBox: { hasMoved: false, worldPosition: [0, 0, 0], worldBoundingBox: {} },
          },
        },
      },
      viewport.element
    );
    viewport.render();
  }

  #render() {
    for (const { viewportId } of this.host.images()) this.host.viewport(viewportId)?.render();
  }
}

function round(x) {
  return Math.round(x * 100) / 100;
}

function safe(callback) {
  return (...args) => {
    try {
      callback(...args);
    } catch (error) {
      console.error('sesamoid', error);
    }
  };
}
