// @ts-check
/** The host interface (host.js) for the host viewer; the only file that knows its services. */

import { studyInAddress } from './address.js';
import { hang, whole, zoomTo } from './camera.js';
import { Annotations } from './annotations.js';
import { Overlay } from './overlay.js';
import { BesideLayout } from './beside.js';
import { Failing } from './failing.js';

/** @typedef {import('./host.js').Host} Host */

/** @implements {Host} */
export class OhifHost {
  /**
   * @param {{servicesManager: any, commandsManager: any, extensionManager: any}} managers
   * @param {() => Map<string, import('./hanging.js').Facts>} facts what the node says of the images
   */
  constructor({ servicesManager, commandsManager, extensionManager }, facts) {
    this.services = servicesManager.services;
    this.commands = commandsManager;
    this.extensions = extensionManager;
    this.facts = facts;
    this.hung = new Set();
    this.watchers = new Set();
    this.stops = /** @type {(() => void)[]} */ ([]);
    this.annotations = new Annotations(this);
    this.overlay = new Overlay(this);
    this.layout = new BesideLayout(this);
    this.failing = new Failing(this, () => this.#notify());
  }

  get cornerstone() {
    return /** @type {any} */ (window).cornerstone;
  }

  /** Begin to follow the viewer; called when the mode is entered. */
  start() {
    const { cornerstoneViewportService, viewportGridService, measurementService } = this.services;
    this.#on(cornerstoneViewportService, 'VIEWPORT_DATA_CHANGED', ({ viewportId }) => this.#arrived(viewportId));
    this.#on(viewportGridService, 'GRID_STATE_CHANGED', () => this.#notify());
    this.annotations.start(measurementService);
    this.failing.start();
  }

  stop() {
    for (const stop of this.stops.splice(0)) stop();
    this.annotations.stop();
    this.overlay.stop();
    this.failing.stop();
    this.layout.forget();
    this.hung.clear();
  }

  #on(service, name, callback) {
    const event = service.EVENTS?.[name];
    if (!event) return;
    const { unsubscribe } = service.subscribe(event, guarded(callback));
    this.stops.push(unsubscribe);
  }

  #arrived(viewportId) {
    // The viewport sets its own camera right after this event; ours must come last.
    setTimeout(guarded(() => {
      this.hangOnce(viewportId);
      this.layout.link.listen(viewportId);
      this.overlay.refresh();
      this.#notify(this.uidOf(this.viewport(viewportId)?.getCurrentImageId?.()));
    }), 0);
  }

  /** Turn the image of a viewport upright, once for each image that it shows. */
  hangOnce(viewportId) {
    const viewport = this.viewport(viewportId);
    const imageId = viewport?.getCurrentImageId?.();
    const facts = imageId && this.facts().get(this.uidOf(imageId));
    // A document may have taken the place meanwhile.
    if (!viewport?.element?.isConnected) return;
    if (!facts?.hung || this.hung.has(`${viewportId} ${imageId}`)) return;
    this.hung.add(`${viewportId} ${imageId}`);
    this.layout.link.silently(() => hang(this.cornerstone, viewport, facts));
  }

  /** The facts arrived after the images: hang what is there. */
  hangAll() {
    for (const { viewportId } of this.images()) guarded(() => this.hangOnce(viewportId))();
  }

  #notify(arrived = '') {
    for (const watcher of [...this.watchers]) guarded(watcher)(arrived);
  }

  viewport(viewportId) {
    return this.services.cornerstoneViewportService.getCornerstoneViewport(viewportId);
  }

  uidOf(imageId) {
    return this.cornerstone?.metaData.get('instance', imageId)?.SOPInstanceUID;
  }

  #cells() {
    const { viewports } = this.services.viewportGridService.getState();
    return [...viewports.values()].map(cell => {
      const set = this.#displaySet(cell.displaySetInstanceUIDs?.[0]);
      return {
        viewportId: cell.viewportId ?? cell.viewportOptions?.viewportId,
        uid: set?.numImageFrames > 0 ? set.instances?.[0]?.SOPInstanceUID : undefined,
      };
    });
  }

  #displaySet(id) {
    return id && this.services.displaySetService.getDisplaySetByUID(id);
  }

  images() {
    try {
      return this.#cells().filter(cell => cell.uid);
    } catch {
      return []; // Between two modes there is no grid.
    }
  }

  show(uids) {
    const { viewportGridService } = this.services;
    const all = this.#cells();
    // The lower row follows the upper one.
    const cells = this.layout.active ? all.slice(0, all.length / 2) : all;
    const missing = uids.filter(uid => !cells.some(cell => cell.uid === uid));
    // An empty place or a document gives way before an image does, the last image before the first.
    const images = cells.filter(cell => cell.uid && !uids.includes(cell.uid));
    const free = [...cells.filter(cell => !cell.uid), ...images.reverse()]
      .slice(0, missing.length)
      .sort((a, b) => cells.indexOf(a) - cells.indexOf(b));
    const updates = missing.slice(0, free.length).map((uid, i) => ({
      viewportId: free[i].viewportId,
      displaySetInstanceUIDs: [this.displaySetOf(uid)?.displaySetInstanceUID].filter(Boolean),
    })).filter(update => update.displaySetInstanceUIDs.length);
    for (const [i, uid] of this.layout.active ? missing.slice(0, updates.length).entries() : []) {
      // Better nothing than an image of another view or side.
      const partner = this.displaySetOf(this.layout.partners.get(uid) ?? '')?.displaySetInstanceUID;
      const below = all[cells.indexOf(free[i]) + cells.length];
      if (below) updates.push({ viewportId: below.viewportId, displaySetInstanceUIDs: partner ? [partner] : [] });
    }
    if (updates.length) viewportGridService.setDisplaySetsForViewports(updates);
    const only = uids.length === 1 && cells.find(cell => cell.uid === uids[0]);
    if (only) viewportGridService.setActiveViewportId(only.viewportId);
  }

  displaySetOf(uid) {
    return this.services.displaySetService
      .getActiveDisplaySets()
      .find(set => set.instances?.some(instance => instance.SOPInstanceUID === uid));
  }

  zoomTo(uid, place) {
    const shown = this.images().find(image => image.uid === uid);
    const viewport = shown && this.viewport(shown.viewportId);
    const imageId = viewport?.getCurrentImageId?.();
    // The place is taken already, the image may still be on its way.
    if (!imageId || !viewport.getImageData?.() || this.uidOf(imageId) !== uid) return false;
    this.layout.link.silently(() => zoomTo(this.cornerstone, viewport, place));
    return true;
  }

  whole() {
    for (const { viewportId } of this.images()) {
      const viewport = this.viewport(viewportId);
      if (viewport?.getImageData?.()) this.layout.link.silently(() => whole(this.cornerstone, viewport));
    }
  }

  /** The viewer's own tools want a drag; ours takes clicks and keys too, and leaves an annotation of theirs. */
  startTool(kind) {
    this.overlay.startDrawing(kind, drawn => this.annotations.add(drawn));
  }

  stopTool() {
    return this.overlay.stopDrawing();
  }

  onMeasurement(callback) {
    return this.annotations.subscribe(callback);
  }

  removeMeasurement(id) {
    this.annotations.remove(id);
  }

  drawMeasurements(measurements) {
    this.annotations.draw(measurements);
  }

  drawLayer(layer) {
    this.overlay.draw(layer);
  }

  onHandle(callback) {
    return this.overlay.subscribe(callback);
  }

  pick(callback, trace = false) {
    this.overlay.pick(callback && guarded(callback), trace);
  }

  /** @returns {[number, number]} */
  nudged(uid, point, right, down) {
    return this.overlay.nudged(uid, point, right, down);
  }

  /** @returns {[number, number] | null} */
  middle(uid) {
    return this.overlay.middle(uid);
  }

  onImagesChanged(callback) {
    this.watchers.add(callback);
    return () => this.watchers.delete(callback);
  }

  /** Documents arrive after the viewer has loaded the study: their series is asked for first. */
  async openDocument(series, uid, study = studyInAddress()) {
    await guarded(() => this.#loadSeries(series, study))();
    const set = this.displaySetOf(uid) ?? this.#displaySetOfSeries(series);
    const { viewportGridService } = this.services;
    const cells = this.#cells();
    const viewportId = cells.at(-1)?.viewportId ?? viewportGridService.getActiveViewportId();
    if (set) viewportGridService.setDisplaySetsForViewports([{ viewportId, displaySetInstanceUIDs: [set.displaySetInstanceUID] }]);
  }

  failed() {
    return this.failing.shown();
  }

  again(uid) {
    guarded(() => this.failing.again(uid))();
  }

  present({ uid, window, rotation, flip_horizontal }) {
    for (const { viewportId } of this.images().filter(image => image.uid === uid)) {
      const viewport = this.viewport(viewportId);
      guarded(() => {
        hang(this.cornerstone, viewport, { rotation, flip_horizontal });
        if (window) viewport.setProperties({ voiRange: { lower: window.centre - window.width / 2, upper: window.centre + window.width / 2 } });
        viewport.render();
      })();
    }
  }

  #displaySetOfSeries(series) {
    return this.services.displaySetService.getActiveDisplaySets().find(set => set.SeriesInstanceUID === series);
  }

  async #loadSeries(series, study) {
    if (!this.#displaySetOfSeries(series)) await this.retrieve(study, [series]);
  }

  /** Series that the viewer has not loaded: new ones of this study, or those of an earlier one. */
  async retrieve(study, series) {
    const [source] = this.extensions.getActiveDataSource();
    // The viewer keeps the answer under the name of the data source and the study.
    source.deleteStudyMetadataPromise(`${source.getConfig?.()?.name ?? 'sesamoid'}:${study}`);
    await source.retrieve.series.metadata({ StudyInstanceUID: study, filters: { seriesInstanceUID: series } });
  }

  beside(plan) {
    return guarded(() => this.layout.open(plan))();
  }

  alone() {
    this.layout.close();
  }
}

/**
 * A callback of ours must never break the viewer's own event loop.
 * @template {(...args: any[]) => any} F
 * @param {F} callback
 */
export function guarded(callback) {
  return (...args) => {
    try {
      const result = callback(...args);
      if (result?.catch) return result.catch(error => console.error('sesamoid', error));
      return result;
    } catch (error) {
      console.error('sesamoid', error);
      return undefined;
    }
  };
}
