// @ts-check
/**
 * Our own drawing layer over the host viewer's images: an SVG in each viewport that is drawn anew
 * whenever the image is. It follows pan, zoom, rotation and every change of layout, and is no
 * measurement of the viewer.
 */

import { emptyLayer } from './layer.js';
import { LayerControl, LayerSvg } from './layer_svg.js';

/** @typedef {import('./layer_svg.js').HandleEvent} HandleEvent */

export class Overlay extends LayerControl {
  /** @param {import('./ohif.js').OhifHost} host */
  constructor(host) {
    super();
    this.host = host;
    /** @type {Map<string, {element: Element, layer: LayerSvg, onRender: () => void}>} */
    this.attached = new Map();
  }

  /** @param {import('./layer.js').Layer} layer */
  draw(layer) {
    this.layer = layer;
    this.refresh();
  }

  pick(callback, trace = false) {
    this.picking = callback;
    this.tracing = trace;
    this.refresh();
  }

  stop() {
    for (const [id] of this.attached) this.#detach(id);
    this.layer = emptyLayer();
    this.picking = null;
  }

  /** Viewports come and go with the layout: attach to those that are there, then draw. */
  refresh() {
    for (const { viewportId } of this.host.images()) {
      const viewport = this.host.viewport(viewportId);
      if (!viewport?.element) continue;
      this.#attach(viewportId, viewport);
      this.attached.get(viewportId)?.layer.render();
    }
  }

  #attach(viewportId, viewport) {
    const known = this.attached.get(viewportId);
    if (known?.element === viewport.element && known?.layer.svg.isConnected) return;
    this.#detach(viewportId);
    const layer = new LayerSvg(this, () => this.#look(viewportId));
    (viewport.element.querySelector('.viewport-element') ?? viewport.element).append(layer.svg);
    const onRender = () => layer.render();
    viewport.element.addEventListener(this.host.cornerstone.Enums.Events.IMAGE_RENDERED, onRender);
    this.attached.set(viewportId, { element: viewport.element, layer, onRender });
  }

  #detach(viewportId) {
    const known = this.attached.get(viewportId);
    if (!known) return;
    known.element.removeEventListener(this.host.cornerstone.Enums.Events.IMAGE_RENDERED, known.onRender);
    known.layer.svg.remove();
    this.attached.delete(viewportId);
  }

  #look(viewportId) {
    const viewport = this.host.viewport(viewportId);
    const imageId = viewport?.getCurrentImageId?.();
    if (!imageId || !viewport.getImageData?.()) return null;
    const { utilities } = this.host.cornerstone;
    return {
      uid: this.host.uidOf(imageId),
      place: point => viewport.worldToCanvas(utilities.imageToWorldCoords(imageId, point)),
      point: canvas => utilities.worldToImageCoords(imageId, viewport.canvasToWorld(canvas)),
    };
  }

  #of(uid) {
    const shown = this.host.images().find(image => image.uid === uid);
    return shown && this.attached.get(shown.viewportId)?.layer;
  }

  /** @returns {[number, number]} */
  nudged(uid, point, right, down) {
    return this.#of(uid)?.nudged(point, right, down) ?? [point[0] + right, point[1] + down];
  }

  /** @returns {[number, number] | null} */
  middle(uid) {
    return this.#of(uid)?.middle() ?? null;
  }
}
