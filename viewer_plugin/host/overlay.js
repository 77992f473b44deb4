// @ts-check
/**
 * Our own drawing layer over the host viewer's images: an SVG in each viewport that is drawn anew
 * whenever the image is. It follows pan, zoom, rotation and every change of layout, and is no
 * measurement of the viewer.
 */

import { emptyLayer, marks } from './layer.js';

const SVG = 'http://www.w3.org/2000/svg';
const STEPS = { ArrowLeft: [-1, 0], ArrowRight: [1, 0], ArrowUp: [0, -1], ArrowDown: [0, 1] };

/** @typedef {import('./layer.js').Layer} Layer */
/** @typedef {{type: 'moving'|'moved'|'chosen', id: string, point: [number, number]}} HandleEvent */

export class Overlay {
  /** @param {import('./ohif.js').OhifHost} host */
  constructor(host) {
    this.host = host;
    /** @type {Layer} */
    this.layer = emptyLayer();
    /** @type {((picked: {uid: string, point: [number, number]}) => void) | null} */
    this.picking = null;
    this.callbacks = new Set();
    /** @type {Map<string, {element: Element, svg: SVGSVGElement, onRender: () => void}>} */
    this.attached = new Map();
    this.dragging = '';
  }

  /** @param {Layer} layer */
  draw(layer) {
    this.layer = layer;
    this.refresh();
  }

  pick(callback) {
    this.picking = callback;
    this.refresh();
  }

  /** @param {(event: HandleEvent) => void} callback */
  subscribe(callback) {
    this.callbacks.add(callback);
    return () => this.callbacks.delete(callback);
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
      this.#render(viewportId);
    }
  }

  #attach(viewportId, viewport) {
    const known = this.attached.get(viewportId);
    if (known?.element === viewport.element && known?.svg.isConnected) return;
    this.#detach(viewportId);
    const svg = document.createElementNS(SVG, 'svg');
    svg.setAttribute('data-sesamoid-layer', viewportId);
    svg.style.cssText = 'position:absolute;inset:0;width:100%;height:100%;overflow:hidden;pointer-events:none;z-index:2';
    (viewport.element.querySelector('.viewport-element') ?? viewport.element).append(svg);
    const onRender = () => this.#render(viewportId);
    viewport.element.addEventListener(this.host.cornerstone.Enums.Events.IMAGE_RENDERED, onRender);
    this.#listen(svg, viewportId);
    this.attached.set(viewportId, { element: viewport.element, svg, onRender });
  }

  #detach(viewportId) {
    const known = this.attached.get(viewportId);
    if (!known) return;
    known.element.removeEventListener(this.host.cornerstone.Enums.Events.IMAGE_RENDERED, known.onRender);
    known.svg.remove();
    this.attached.delete(viewportId);
  }

  #view(viewportId) {
    const viewport = this.host.viewport(viewportId);
    const imageId = viewport?.getCurrentImageId?.();
    if (!imageId || !viewport.getImageData?.()) return null;
    const { utilities } = this.host.cornerstone;
    return {
      uid: this.host.uidOf(imageId),
      place: point => viewport.worldToCanvas(utilities.imageToWorldCoords(imageId, point)),
      point: canvas => utilities.worldToImageCoords(imageId, viewport.canvasToWorld(canvas)).map(tenth),
    };
  }

  #render(viewportId) {
    const svg = this.attached.get(viewportId)?.svg;
    const view = this.#view(viewportId);
    if (!svg || !view) return;
    const size = { width: svg.clientWidth, height: svg.clientHeight };
    const wanted = marks(this.layer, view.uid, view.place, size);
    svg.style.pointerEvents = this.picking ? 'auto' : 'none';
    svg.style.cursor = this.picking ? 'crosshair' : '';
    fill(svg, wanted);
  }

  #listen(svg, viewportId) {
    const local = event => {
      const box = svg.getBoundingClientRect();
      return /** @type {[number, number]} */ ([event.clientX - box.left, event.clientY - box.top]);
    };
    const down = event => {
      const id = event.target.dataset?.handle;
      if (event.button > 0 || (!id && !this.picking)) return;
      event.stopPropagation();
      event.preventDefault();
      if (event.type !== 'pointerdown') return;
      if (id) this.#drag(event, viewportId, id, local);
      else this.#picked(viewportId, local(event));
    };
    for (const type of ['pointerdown', 'mousedown', 'touchstart']) svg.addEventListener(type, down, { passive: false });
    svg.addEventListener('keydown', event => this.#key(event, viewportId));
  }

  #picked(viewportId, canvas) {
    const view = this.#view(viewportId);
    if (view) this.picking?.({ uid: view.uid, point: view.point(canvas) });
  }

  #drag(event, viewportId, id, local) {
    this.dragging = id;
    this.#tell('chosen', id, this.#view(viewportId)?.point(local(event)));
    const move = now => this.#tell('moving', id, this.#view(viewportId)?.point(local(now)));
    const up = now => {
      window.removeEventListener('pointermove', move, true);
      window.removeEventListener('pointerup', up, true);
      this.dragging = '';
      this.#tell('moved', id, this.#view(viewportId)?.point(local(now)));
    };
    window.addEventListener('pointermove', move, true);
    window.addEventListener('pointerup', up, true);
  }

  #key(event, viewportId) {
    const id = event.target.dataset?.handle;
    const step = STEPS[event.key];
    const handle = id && this.layer.handles.find(one => one.id === id);
    if (!handle || !step || !this.#view(viewportId)) return;
    event.preventDefault();
    event.stopPropagation();
    const size = event.shiftKey ? 10 : 1;
    this.#tell('moved', id, this.nudged(handle.uid, handle.point, step[0] * size, step[1] * size));
  }

  #tell(type, id, point) {
    if (point) for (const call of [...this.callbacks]) call({ type, id, point });
  }

  /** A point moved by so many pixels of the image, to the right and down on the screen. */
  nudged(uid, point, right, down) {
    const shown = this.host.images().find(image => image.uid === uid);
    const view = shown && this.#view(shown.viewportId);
    if (!view) return [point[0] + right, point[1] + down];
    const [x, y] = view.place(point);
    const [a, b] = view.point([x + 40 * Math.sign(right), y + 40 * Math.sign(down)]);
    const length = Math.hypot(a - point[0], b - point[1]) || 1;
    const by = Math.hypot(right, down) / length;
    return [tenth(point[0] + (a - point[0]) * by), tenth(point[1] + (b - point[1]) * by)];
  }

  /** The image point in the middle of the viewport. */
  middle(uid) {
    const shown = this.host.images().find(image => image.uid === uid);
    const view = shown && this.#view(shown.viewportId);
    const svg = shown && this.attached.get(shown.viewportId)?.svg;
    return view && svg ? view.point([svg.clientWidth / 2, svg.clientHeight / 2]) : null;
  }
}

/** Elements are kept where they can be, so that a handle keeps the focus while the image moves. */
function fill(svg, wanted) {
  wanted.forEach((mark, i) => {
    let node = svg.childNodes[i];
    if (node?.localName !== mark.tag || (node.dataset.handle ?? '') !== (mark.handle ?? '')) {
      const made = document.createElementNS(SVG, mark.tag);
      if (mark.handle) made.dataset.handle = mark.handle;
      if (node) svg.replaceChild(made, node);
      else svg.append(made);
      node = made;
    }
    const stale = new Set(node.getAttributeNames().filter(name => name !== 'data-handle'));
    for (const [name, value] of Object.entries(mark.attributes)) {
      if (node.getAttribute(name) !== value) node.setAttribute(name, value);
      stale.delete(name);
    }
    for (const name of stale) node.removeAttribute(name);
    if (node.textContent !== (mark.text ?? '')) node.textContent = mark.text ?? '';
  });
  while (svg.childNodes.length > wanted.length) svg.lastChild.remove();
}

function tenth(number) {
  return Math.round(number * 10) / 10;
}
