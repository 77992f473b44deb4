// @ts-check
/**
 * The drawing layer of one image as an SVG element: shapes, labels, and handles that are moved by
 * hand or by arrow keys. Whoever shows images gives it a look at the image and draws it anew
 * whenever the image is.
 */

import { strings } from '../panel/strings.js';
import { NEEDED } from './drawing.js';
import { LABEL_FONT, emptyLayer, marks } from './layer.js';

const SVG = 'http://www.w3.org/2000/svg';
/** Pixels of the screen by which a key moves the cross; with shift one. */
const CROSS_STEP = 10;
const STEPS = { ArrowLeft: [-1, 0], ArrowRight: [1, 0], ArrowUp: [0, -1], ArrowDown: [0, 1] };

/** @typedef {[number, number]} Point */
/** @typedef {{type: 'moving'|'moved'|'chosen', id: string, point: Point}} HandleEvent */
/** @typedef {{uid: string, size?: [number, number], place: (point: Point) => Point, point: (canvas: Point) => Point}} Look */

/** What is to be drawn on all images, whether a click is a point, and who is told of handles. */
export class LayerControl {
  constructor() {
    /** @type {import('./layer.js').Layer} */
    this.layer = emptyLayer();
    /** @type {((picked: import('./host.js').Picked) => void) | null} */
    this.picking = null;
    /** Whether a drag is a line that is drawn, and not a point. */
    this.tracing = false;
    /** A length or an angle that is being set. @type {import('./drawing.js').Drawing | null} */
    this.drawing = null;
    this.callbacks = new Set();
  }

  /** @param {(event: HandleEvent) => void} callback */
  subscribe(callback) {
    this.callbacks.add(callback);
    return () => this.callbacks.delete(callback);
  }

  /** Draw anew on all images. */
  refresh() {}

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
    this.svg.addEventListener('pointermove', event => this.#hover(event));
    this.svg.addEventListener('keydown', event => (event.target === this.svg ? this.#drawKey(event) : this.#key(event)));
  }

  render() {
    const { svg, control } = this;
    const look = this.look();
    if (!look) return;
    const size = { width: svg.clientWidth, height: svg.clientHeight };
    const taking = Boolean(control.picking || control.drawing);
    svg.style.pointerEvents = taking ? 'auto' : 'none';
    svg.style.touchAction = taking ? 'none' : '';
    svg.style.cursor = taking ? 'crosshair' : '';
    this.#reachable(control.drawing);
    const { layer } = control;
    const shown = control.drawing ? { ...layer, shapes: [...layer.shapes, ...control.drawing.shapes()] } : layer;
    fill(svg, marks(shown, look.uid, look.place, size, widthOf));
  }

  /** While something is being drawn the image can be reached by the tabulator and takes keys. */
  #reachable(drawing) {
    const { svg } = this;
    if (!drawing) {
      for (const name of ['tabindex', 'role', 'aria-label']) svg.removeAttribute(name);
      return;
    }
    svg.setAttribute('tabindex', '0');
    svg.setAttribute('role', 'application');
    const said = strings.plain.drawing(strings.plain.tools[drawing.kind], Math.min(drawing.points.length + 1, NEEDED[drawing.kind]), NEEDED[drawing.kind]);
    if (svg.getAttribute('aria-label') !== said) svg.setAttribute('aria-label', said);
  }

  /** @returns {any} */
  #point(event) {
    const box = this.svg.getBoundingClientRect();
    return this.look()?.point([event.clientX - box.left, event.clientY - box.top]).map(tenth);
  }

  /** A place that is on the image. @returns {Point} */
  #inside(point) {
    const [columns, rows] = this.look()?.size ?? [Infinity, Infinity];
    return [Math.min(Math.max(point[0], 0), columns), Math.min(Math.max(point[1], 0), rows)];
  }

  #down(event) {
    const { drawing } = this.control;
    const id = event.target.dataset?.handle;
    if (event.button > 0 || (!id && !this.control.picking && !drawing)) return;
    event.stopPropagation();
    event.preventDefault();
    if (event.type !== 'pointerdown') return;
    if (drawing) return this.#draw(event);
    const point = this.#point(event);
    const uid = this.look()?.uid;
    if (id) this.#drag(id, point);
    else if (uid && point && this.control.tracing) this.#trace(uid, point);
    else if (uid && point) this.control.picking?.({ uid, point });
  }

  /** @param {(drawing: import('./drawing.js').Drawing, look: Look, point: Point) => void} what */
  #drawn(event, what) {
    const look = this.look();
    const { drawing } = this.control;
    if (!look || !drawing) return;
    what(drawing, look, this.#inside(this.#point(event)));
    this.control.refresh();
  }

  /** Two clicks, or one drag: whichever the hand does. */
  #draw(event) {
    this.#drawn(event, (drawing, look, point) => drawing.press(look, point));
    const stop = new AbortController();
    const end = now => {
      stop.abort();
      if (now.type === 'pointerup') this.#drawn(now, (drawing, look, point) => drawing.release(look, point));
    };
    window.addEventListener('pointermove', now => this.#drawn(now, (drawing, look, point) => drawing.move(look, point)), { capture: true, signal: stop.signal });
    for (const type of ['pointerup', 'pointercancel']) window.addEventListener(type, end, { capture: true, signal: stop.signal });
  }

  #hover(event) {
    if (!event.buttons) this.#drawn(event, (drawing, look, point) => drawing.move(look, point));
  }

  #drawKey(event) {
    const { drawing } = this.control;
    const look = this.look();
    const middle = this.middle();
    const step = STEPS[event.key];
    if (!drawing || !look || !middle || event.ctrlKey || event.metaKey || event.altKey) return;
    if (!step && event.key !== 'Enter' && event.key !== 'Backspace') return;
    event.preventDefault();
    event.stopPropagation();
    const by = event.shiftKey ? 1 : CROSS_STEP;
    if (step) drawing.step({ ...look, point: at => this.#inside(look.point(at)) }, middle, step[0] * by, step[1] * by);
    else if (event.key === 'Enter') drawing.set(look, middle);
    else drawing.back();
    this.control.refresh();
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

/** @type {CanvasRenderingContext2D | null} */
let ruler = null;

/** @param {string} text */
function widthOf(text) {
  ruler ??= document.createElement('canvas').getContext('2d');
  if (!ruler) return text.length * 7.4;
  ruler.font = LABEL_FONT;
  return ruler.measureText(text).width;
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
