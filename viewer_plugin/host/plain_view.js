// @ts-check
/** One image on the page: its picture on a canvas, the reader's hand, its measurements above. */

import { dayText } from '../panel/numbers.js';
import { strings } from '../panel/strings.js';
import { LayerSvg } from './layer_svg.js';
import { Camera } from './plain_camera.js';
import { drag } from './plain_drag.js';
import { Marks } from './plain_marks.js';
import { Window, statedWindow } from './plain_window.js';

const text = strings.plain;
const REDRAW_MS = 150;
const PAN_STEP = 60;
const SVG = 'http://www.w3.org/2000/svg';
let count = 0;

/** @typedef {{uid: string, series_uid: string, study: string, rows: number, columns: number, view?: string, side?: string, rotation?: number, flip_horizontal?: boolean, spacing?: {row_mm: number, column_mm: number}, date?: string}} Facts */

export class PlainView {
  /**
   * @param {Facts} facts
   * @param {import('./plain.js').PlainHost} host
   */
  constructor(facts, host) {
    this.facts = facts;
    this.host = host;
    const { row_mm = 0, column_mm = 0 } = facts.spacing ?? {};
    const stretch = row_mm > 0 && column_mm > 0 ? row_mm / column_mm : 1;
    this.camera = new Camera({ columns: facts.columns, rows: facts.rows, stretch, rotation: facts.rotation, flip: facts.flip_horizontal });
    this.window = new Window(null);
    /** @type {HTMLImageElement | null} */
    this.picture = null;
    this.element = this.#made();
    /** Whether it has a size on the page, so that a place can be looked at. */
    this.ready = false;
    this.marks = new Marks(this);
    this.layer = new LayerSvg(host.layers, () => ({ uid: facts.uid, place: at => this.camera.toScreen(at), point: at => this.camera.toImage(at) }));
    this.element.append(this.layer.svg);
    this.sizes = new ResizeObserver(() => this.#resized());
    this.sizes.observe(this.element);
    this.load();
  }

  close() {
    this.sizes.disconnect();
    clearTimeout(this.waiting);
    this.closed = true;
    this.element.remove();
  }

  get name() {
    const side = strings.sides[this.facts.side ?? 'U'] ?? '';
    return [this.facts.side === 'U' ? '' : side, this.facts.view || text.image, this.facts.date && dayText(this.facts.date)].filter(Boolean).join(' ');
  }

  #made() {
    const element = document.createElement('section');
    element.className = 'view';
    element.tabIndex = 0;
    element.setAttribute('role', 'application');
    element.setAttribute('aria-label', `${this.name}. ${text.keys}`);
    this.canvas = document.createElement('canvas');
    this.tone = toneFilter();
    this.canvas.style.filter = `url(#${this.tone.id})`;
    const label = document.createElement('p');
    label.className = 'view-name';
    label.textContent = this.name;
    this.note = document.createElement('p');
    this.note.className = 'view-note';
    this.note.setAttribute('role', 'status');
    element.append(this.tone.svg, this.canvas, label, this.note);
    element.addEventListener('pointerdown', event => this.#pressed(event));
    element.addEventListener('wheel', event => this.#wheel(event), { passive: false });
    element.addEventListener('contextmenu', event => event.preventDefault());
    element.addEventListener('keydown', event => this.#key(event));
    element.addEventListener('focusin', () => this.host.activate(this));
    return element;
  }

  get root() {
    const { study, series_uid, uid } = this.facts;
    return `/dicomweb/studies/${study}/series/${series_uid}/instances/${uid}`;
  }

  async load() {
    this.say(text.loading);
    try {
      const answer = await fetch(`${this.root}/metadata`, { headers: { Accept: 'application/dicom+json' } });
      const header = answer.ok ? (await answer.json())[0] : {};
      this.window = new Window(statedWindow(header), header['00280004']?.Value?.[0] === 'MONOCHROME1');
      this.picture = await fetched(`${this.root}/rendered`);
      this.say('');
    } catch {
      this.say(text.failed, true);
    }
    this.draw();
  }

  say(/** @type {string} */ words, again = false) {
    this.note?.replaceChildren(words);
    if (!again) return;
    const button = document.createElement('button');
    button.textContent = strings.retry;
    button.addEventListener('click', () => this.load());
    this.note?.append(' ', button);
  }

  #resized() {
    const { clientWidth, clientHeight } = this.element;
    const first = !this.ready && clientWidth > 1;
    this.camera.resize(clientWidth, clientHeight);
    this.draw();
    this.ready ||= first;
    if (first) this.host.arrived(this.facts.uid);
  }

  draw() {
    const { canvas, camera, picture } = this;
    if (!canvas || this.closed) return;
    const sharp = window.devicePixelRatio || 1;
    const [width, height] = [Math.round(camera.width * sharp), Math.round(camera.height * sharp)];
    if (canvas.width !== width || canvas.height !== height) Object.assign(canvas, { width, height });
    const pen = /** @type {CanvasRenderingContext2D} */ (canvas.getContext('2d'));
    pen.setTransform(1, 0, 0, 1, 0, 0);
    pen.clearRect(0, 0, width, height);
    if (picture) {
      const [a, b, c, d] = camera.matrix;
      const [x, y] = camera.toScreen([0, 0]);
      pen.setTransform(a * sharp, b * sharp, c * sharp, d * sharp, x * sharp, y * sharp);
      pen.imageSmoothingEnabled = camera.scale < 4; // Closer than that, pixels are looked at.
      pen.imageSmoothingQuality = 'high';
      pen.drawImage(picture, 0, 0, camera.columns, camera.rows);
    }
    this.tone?.set(this.window.tone);
    this.marks?.draw();
    this.layer?.render();
  }

  /** Drawn, and its linked partner with it. */
  moved() {
    this.draw();
    this.host.follow(this);
  }

  whole() {
    this.camera.whole();
    this.moved();
  }

  invert() {
    this.window.negative = !this.window.negative;
    this.draw();
  }

  resetWindow() {
    this.window.reset();
    this.windowed();
  }

  /** The preview at once; the node's picture of all bits when the hand rests. */
  windowed() {
    this.draw();
    clearTimeout(this.waiting);
    if (this.window.stale) this.waiting = setTimeout(() => this.#redraw(), REDRAW_MS);
  }

  async #redraw() {
    const { wanted, query } = this.window;
    try {
      const picture = await fetched(`${this.root}/rendered?${query}`);
      // A later window is already on its way: its own picture will come.
      if (this.closed || this.window.wanted !== wanted) return;
      this.picture = picture;
      this.window.drawn = wanted;
      this.say('');
    } catch {
      this.say(text.windowFailed);
    }
    this.draw();
  }

  #at(event) {
    const box = this.element.getBoundingClientRect();
    return /** @type {[number, number]} */ ([event.clientX - box.left - this.element.clientLeft, event.clientY - box.top - this.element.clientTop]);
  }

  #pressed(event) {
    if (event.target.closest('button')) return;
    this.element.focus({ preventScroll: true });
    const tool = event.button === 1 || event.shiftKey ? 'pan' : event.button === 2 ? 'zoom' : this.host.tool;
    event.preventDefault();
    if (tool === 'length' || tool === 'angle') return this.marks.press(event, at => this.#at(at));
    let last = this.#at(event);
    const start = last;
    drag(this.element, event, now => {
      const here = this.#at(now);
      const [dx, dy] = [here[0] - last[0], here[1] - last[1]];
      last = here;
      if (tool === 'pan') return this.#pan(dx, dy);
      if (tool === 'zoom') return this.#zoom(Math.exp(-dy / 150), start);
      // To the right: more contrast range; downwards: brighter.
      this.window.change(dx / 300, -dy / 300);
      this.windowed();
    });
  }

  #pan(dx, dy) {
    this.camera.pan(dx, dy);
    this.moved();
  }

  #zoom(factor, at) {
    this.camera.zoom(factor, at);
    this.moved();
  }

  #wheel(event) {
    event.preventDefault();
    this.#zoom(Math.exp(-event.deltaY / 500), this.#at(event));
  }

  /** Every drag has its keys: they move the image, or the cross of a tool. */
  #key(event) {
    if (event.target !== this.element || event.ctrlKey || event.metaKey || event.altKey) return;
    const step = STEPS[event.key];
    const measuring = this.host.tool === 'length' || this.host.tool === 'angle';
    if (measuring && (step || event.key === 'Enter' || event.key === 'Escape')) {
      event.preventDefault();
      if (event.key === 'Escape') this.host.usualTool();
      else this.marks.key(step, event.key === 'Enter', event.shiftKey);
    } else if (step) {
      event.preventDefault();
      if (!event.shiftKey) return this.#pan(-step[0] * PAN_STEP, -step[1] * PAN_STEP);
      this.window.change(step[0] / 15, -step[1] / 15);
      this.windowed();
    } else if (event.key === '+' || event.key === '=') this.#zoom(1.25);
    else if (event.key === '-') this.#zoom(0.8);
    else if (event.key === '0') this.resetWindow();
    else if (event.key === 'i') this.invert();
  }
}

/** @type {Record<string, [number, number]>} */
const STEPS = { ArrowLeft: [-1, 0], ArrowRight: [1, 0], ArrowUp: [0, -1], ArrowDown: [0, 1] };

async function fetched(/** @type {string} */ address) {
  const picture = new Image();
  picture.src = address;
  await picture.decode();
  return picture;
}

/** A filter of its own for the greys of one canvas. */
function toneFilter() {
  const id = `plain-tone-${count += 1}`;
  const svg = document.createElementNS(SVG, 'svg');
  svg.setAttribute('class', 'tone');
  svg.setAttribute('aria-hidden', 'true');
  const filter = svg.appendChild(document.createElementNS(SVG, 'filter'));
  filter.id = id;
  filter.setAttribute('color-interpolation-filters', 'sRGB');
  const transfer = filter.appendChild(document.createElementNS(SVG, 'feComponentTransfer'));
  const parts = ['R', 'G', 'B'].map(colour => {
    const part = transfer.appendChild(document.createElementNS(SVG, `feFunc${colour}`));
    part.setAttribute('type', 'linear');
    return part;
  });
  const set = ({ slope, intercept }) => {
    for (const part of parts) {
      part.setAttribute('slope', String(slope));
      part.setAttribute('intercept', String(intercept));
    }
  };
  return { id, svg, set };
}
