// @ts-check
/**
 * Our own drawing layer over the host viewer's images: an SVG in each viewport that is drawn anew
 * whenever the image is. It follows pan, zoom, rotation and every change of layout, and is no
 * measurement of the viewer.
 */

import { Drawing } from './drawing.js';
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
    /** What had the focus before something was drawn. @type {any} */
    this.giveBack = null;
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
    this.drawing = null;
  }

  /** @param {'length'|'angle'} kind @param {import('./drawing.js').Drawing['finish']} done */
  startDrawing(kind, done) {
    this.giveBack ??= focused();
    this.drawing = new Drawing(kind, drawn => {
      this.stopDrawing();
      done(drawn);
    });
    this.refresh();
    const { activeViewportId } = this.host.services.viewportGridService.getState();
    const shown = this.host.images().map(image => image.viewportId);
    const target = this.attached.get(shown.includes(activeViewportId) ? activeViewportId : shown[0]);
    target?.layer.svg.focus({ preventScroll: true });
  }

  /** @returns {boolean} whether something was being drawn */
  stopDrawing() {
    if (!this.drawing) return false;
    const here = focused();
    const { giveBack } = this;
    this.drawing = null;
    this.giveBack = null;
    this.refresh();
    // Who draws by keys goes on where they were; who has gone elsewhere meanwhile stays there.
    const ours = [...this.attached.values()].some(({ layer }) => layer.svg === here);
    if (ours && giveBack?.isConnected) giveBack.focus({ preventScroll: true });
    return true;
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

  /** @returns {import('./layer_svg.js').Look | null} */
  #look(viewportId) {
    const viewport = this.host.viewport(viewportId);
    const imageId = viewport?.getCurrentImageId?.();
    if (!imageId || !viewport.getImageData?.()) return null;
    const { utilities } = this.host.cornerstone;
    const { Columns, Rows } = this.host.cornerstone.metaData.get('instance', imageId) ?? {};
    return {
      uid: this.host.uidOf(imageId),
      size: Columns > 0 && Rows > 0 ? [Columns, Rows] : undefined,
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

/** What has the focus, inside of the panel too. @returns {any} */
function focused() {
  const here = document.activeElement;
  return here?.shadowRoot?.activeElement ?? here;
}
