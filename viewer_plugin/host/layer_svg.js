// @ts-check
/**
 * The drawing layer of one image as an SVG element: shapes, labels, and handles that are moved by
 * hand or by arrow keys. Whoever shows images gives it a look at the image and draws it anew
 * whenever the image is.
 */

import { emptyLayer, marks } from './layer.js';

const SVG = 'http://www.w3.org/2000/svg';
const STEPS = { ArrowLeft: [-1, 0], ArrowRight: [1, 0], ArrowUp: [0, -1], ArrowDown: [0, 1] };

/** @typedef {[number, number]} Point */
/** @typedef {{type: 'moving'|'moved'|'chosen', id: string, point: Point}} HandleEvent */
/** @typedef {{uid: string, place: (point: Point) => Point, point: (canvas: Point) => Point}} Look */

/** What is to be drawn on all images, whether a click is a point, and who is told of handles. */
export class LayerControl {
  constructor() {
    /** @type {import('./layer.js').Layer} */
    this.layer = emptyLayer();
    /** @type {((picked: import('./host.js').Picked) => void) | null} */
    this.picking = null;
    /** Whether a drag is a line that is drawn, and not a point. */
    this.tracing = false;
    this.callbacks = new Set();
  }

  /** @param {(event: HandleEvent) => void} callback */
  subscribe(callback) {
    this.callbacks.add(callback);
    return () => this.callbacks.delete(callback);
  }

  tell(type, id, point) {
    if (point) for (const call of [...this.callbacks]) call({ type, id, point });
  }
}

export class LayerSvg {
  /**
   * @param {LayerControl} control
   * @param {() => Look | null} look null while no image is there
   */
  constructor(control, look) {
    this.control = control;
    this.look = look;
    this.svg = document.createElementNS(SVG, 'svg');
    this.svg.setAttribute('data-sesamoid-layer', '');
    this.svg.style.cssText = 'position:absolute;inset:0;width:100%;height:100%;overflow:hidden;pointer-events:none;z-index:2';
    for (const type of ['pointerdown', 'mousedown', 'touchstart']) this.svg.addEventListener(type, event => this.#down(event), { passive: false });
    this.svg.addEventListener('keydown', event => this.#key(event));
  }

  render() {
    const { svg, control } = this;
    const look = this.look();
    if (!look) return;
    const size = { width: svg.clientWidth, height: svg.clientHeight };
    svg.style.pointerEvents = control.picking ? 'auto' : 'none';
    svg.style.cursor = control.picking ? 'crosshair' : '';
    fill(svg, marks(control.layer, look.uid, look.place, size));
  }

  /** @returns {any} */
  #point(event) {
    const box = this.svg.getBoundingClientRect();
    return this.look()?.point([event.clientX - box.left, event.clientY - box.top]).map(tenth);
  }

  #down(event) {
    const id = event.target.dataset?.handle;
    if (event.button > 0 || (!id && !this.control.picking)) return;
    event.stopPropagation();
    event.preventDefault();
    if (event.type !== 'pointerdown') return;
    const point = this.#point(event);
    const uid = this.look()?.uid;
    if (id) this.#drag(id, point);
    else if (uid && point && this.control.tracing) this.#trace(uid, point);
    else if (uid && point) this.control.picking?.({ uid, point });
  }

  /** A line drawn with the pointer, seen while it grows. */
  #trace(uid, point) {
    const path = [point];
    const line = document.createElementNS(SVG, 'polyline');
    for (const [name, value] of Object.entries({ fill: 'none', stroke: '#f0ab45', 'stroke-width': '1.5', 'data-trace': '' })) line.setAttribute(name, value);
    const move = now => {
      path.push(this.#point(now));
      if (!line.isConnected) this.svg.append(line);
      line.setAttribute('points', path.map(p => this.look()?.place(p).join(',')).join(' '));
    };
    const up = () => {
      window.removeEventListener('pointermove', move, true);
      window.removeEventListener('pointerup', up, true);
      line.remove();
      this.control.picking?.({ uid, point, path });
    };
    window.addEventListener('pointermove', move, true);
    window.addEventListener('pointerup', up, true);
  }

  #drag(id, point) {
    this.control.tell('chosen', id, point);
    const move = now => this.control.tell('moving', id, this.#point(now));
    const up = now => {
      window.removeEventListener('pointermove', move, true);
      window.removeEventListener('pointerup', up, true);
      this.control.tell('moved', id, this.#point(now));
    };
    window.addEventListener('pointermove', move, true);
    window.addEventListener('pointerup', up, true);
  }

  #key(event) {
    const id = event.target.dataset?.handle;
    const step = STEPS[event.key];
    const handle = id && this.control.layer.handles.find(one => one.id === id);
    if (!handle || !step || !this.look()) return;
    event.preventDefault();
    event.stopPropagation();
    const size = event.shiftKey ? 10 : 1;
    this.control.tell('moved', id, this.nudged(handle.point, step[0] * size, step[1] * size));
  }

  /** A point moved by so many pixels of the image, to the right and down on the screen. @returns {[number, number]} */
  nudged(point, right, down) {
    const look = this.look();
    if (!look) return [point[0] + right, point[1] + down];
    const [x, y] = look.place(point);
    const [a, b] = look.point([x + 40 * Math.sign(right), y + 40 * Math.sign(down)]);
    const by = Math.hypot(right, down) / (Math.hypot(a - point[0], b - point[1]) || 1);
    return [tenth(point[0] + (a - point[0]) * by), tenth(point[1] + (b - point[1]) * by)];
  }

  /** The image point in the middle of what is seen. @returns {[number, number] | null} */
  middle() {
    const at = this.look()?.point([this.svg.clientWidth / 2, this.svg.clientHeight / 2]);
    return at ? [tenth(at[0]), tenth(at[1])] : null;
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
      // A page may forbid styles as text; set by property they are not.
      if (name === 'style') node.style.cssText = value;
      else if (node.getAttribute(name) !== value) node.setAttribute(name, value);
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
