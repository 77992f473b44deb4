// @ts-check
/** Lengths and angles on one image: drawing them, moving their points by hand or by key. */

import { strings } from '../panel/strings.js';
import { drag } from './plain_drag.js';

const text = strings.plain;
const SVG = 'http://www.w3.org/2000/svg';
const NEEDED = { length: 2, angle: 3 };
const SHORTEST = 3;
/** About as wide as a letter of what is said beside a line, in pixels of the screen. */
const LETTER = 11;
const STEP = { fine: 1, coarse: 10 };

/** @typedef {[number, number]} Place */
/** @typedef {{id: string, view: string, kind: 'length'|'angle', points: Place[], value?: number, unit?: string,
 *   calibration?: string}} Mark */

export class Marks {
  /** @param {import('./plain_view.js').PlainView} view */
  constructor(view) {
    this.view = view;
    /** The one that is being drawn. @type {{kind: 'length'|'angle', points: Place[]} | null} */
    this.drawing = null;
    /** The cross that the keys move. @type {Place | null} */
    this.cross = null;
    this.lines = document.createElementNS(SVG, 'svg');
    this.lines.setAttribute('class', 'lines');
    this.lines.setAttribute('aria-hidden', 'true');
    this.handles = document.createElement('div');
    this.handles.className = 'handles';
    view.element.append(this.lines, this.handles);
  }

  /** Press, drag and let go sets two points; an angle's third is one more press. */
  press(event, at) {
    const { camera } = this.view;
    const start = at(event);
    this.#put(camera.toImage(start));
    const points = this.drawing?.points;
    if (!points) return;
    const from = points.length;
    drag(this.view.element, event, now => {
      const here = at(now);
      points[from === 1 ? 1 : from - 1] = this.#inside(camera.toImage(here));
      this.draw();
    }, () => this.#finish());
  }

  /** @param {[number, number] | undefined} step @param {boolean} sets @param {boolean} fine */
  key(step, sets, fine) {
    const { camera } = this.view;
    this.cross ??= camera.toImage([camera.width / 2, camera.height / 2]);
    if (step) {
      const [x, y] = camera.toScreen(this.cross);
      const by = fine ? STEP.fine : STEP.coarse;
      this.cross = this.#inside(camera.toImage([x + step[0] * by, y + step[1] * by]));
    }
    if (sets) {
      this.#put(this.cross);
      this.#finish();
    }
    this.draw();
  }

  #put(/** @type {Place} */ place) {
    const kind = this.view.host.tool;
    if (kind !== 'length' && kind !== 'angle') return;
    if (this.drawing?.kind !== kind) this.drawing = { kind, points: [] };
    this.drawing.points.push(this.#inside(place));
  }

  #finish() {
    const { drawing, view } = this;
    if (!drawing) return;
    const [last, before] = [drawing.points.at(-1), drawing.points.at(-2)];
    // A second press on the same place is one too many, not a line of no length.
    if (last && before && view.camera.scale * Math.hypot(last[0] - before[0], last[1] - before[1]) < SHORTEST) drawing.points.pop();
    if (drawing.points.length < NEEDED[drawing.kind]) {
      view.say(text.point(drawing.points.length + 1, NEEDED[drawing.kind]));
      return this.draw();
    }
    this.clear();
    view.host.drawn(view, drawing.kind, drawing.points.map(rounded));
  }

  clear() {
    this.drawing = null;
    this.cross = null;
    this.view.say('');
  }

  #inside([column, row]) {
    const { columns, rows } = this.view.camera;
    return /** @type {Place} */ ([Math.min(Math.max(column, 0), columns), Math.min(Math.max(row, 0), rows)]);
  }

  draw() {
    const { view } = this;
    const marks = view.host.marksOf(view.facts.uid);
    const shown = this.drawing ? [...marks, { ...this.drawing, id: '', view: view.facts.uid }] : marks;
    this.lines.replaceChildren(...shown.flatMap(mark => this.#line(mark)), ...this.#crossed());
    this.#handles(marks);
  }

  #line(/** @type {Mark} */ mark) {
    const points = mark.points.map(place => view2(this.view.camera.toScreen(place)));
    const shapes = ['halo', 'line'].map(kind => shape('polyline', { class: kind, points: points.join(' ') }));
    const [x, y] = this.view.camera.toScreen(mark.points.at(-1) ?? [0, 0]);
    const said = valueOf(mark);
    const room = x + 12 + LETTER * said.length < this.view.camera.width;
    const label = shape('text', { x: room ? x + 12 : x - 12, y: y - 10, 'text-anchor': room ? 'start' : 'end' });
    label.textContent = said;
    return [...shapes, label];
  }

  #crossed() {
    if (!this.cross) return [];
    const [x, y] = this.view.camera.toScreen(this.cross);
    return ['halo', 'line'].map(kind => shape('path', { class: kind, d: `M${x - 14} ${y}h10m8 0h10M${x} ${y - 14}v10m0 8v10` }));
  }

  /** Kept from drawing to drawing, so that the focus and a drag stay with them. */
  #handles(/** @type {Mark[]} */ marks) {
    const wanted = marks.flatMap(mark => mark.points.map((place, i) => ({ mark, place, i })));
    const there = new Map([...this.handles.children].map(child => [/** @type {HTMLElement} */ (child).dataset.of, child]));
    for (const { mark, place, i } of wanted) {
      const of = `${mark.id} ${i}`;
      const handle = /** @type {HTMLElement} */ (there.get(of) ?? this.#handle(mark.id, i, of));
      there.delete(of);
      const [x, y] = this.view.camera.toScreen(place);
      handle.style.transform = `translate(${x - 12}px, ${y - 12}px)`;
      handle.setAttribute('aria-label', text.handle(strings.plain.tools[mark.kind], valueOf(mark), i + 1));
    }
    for (const gone of there.values()) gone.remove();
  }

  #handle(id, i, of) {
    const handle = document.createElement('button');
    handle.dataset.of = of;
    handle.className = 'handle';
    handle.addEventListener('pointerdown', event => {
      event.preventDefault();
      handle.focus();
      let last = [event.clientX, event.clientY];
      drag(handle, event, now => {
        this.#shift(id, i, now.clientX - last[0], now.clientY - last[1]);
        last = [now.clientX, now.clientY];
      }, () => this.view.host.changed(id));
    });
    handle.addEventListener('keydown', event => this.#handleKey(event, id, i));
    this.handles.append(handle);
    return handle;
  }

  #handleKey(event, id, i) {
    const steps = { ArrowLeft: [-1, 0], ArrowRight: [1, 0], ArrowUp: [0, -1], ArrowDown: [0, 1] };
    const step = steps[event.key];
    if (event.key === 'Delete' || event.key === 'Backspace') {
      event.preventDefault();
      this.view.element.focus();
      this.view.host.removed(id);
    } else if (step) {
      event.preventDefault();
      const by = event.shiftKey ? STEP.coarse : STEP.fine;
      this.#shift(id, i, step[0] * by, step[1] * by);
      this.view.host.changed(id);
    }
  }

  #shift(id, i, dx, dy) {
    const mark = this.view.host.marksOf(this.view.facts.uid).find(one => one.id === id);
    if (!mark || this.view.host.readOnly) return;
    const [x, y] = this.view.camera.toScreen(mark.points[i]);
    const points = mark.points.map((place, n) => (n === i ? rounded(this.#inside(this.view.camera.toImage([x + dx, y + dy]))) : place));
    this.view.host.reshape(id, points);
  }
}

function valueOf(mark) {
  if (!mark.calibration) return ''; // The node has not worked it out yet.
  return `${mark.value.toFixed(mark.unit === 'mm' ? 2 : 1)}${mark.unit === 'deg' ? '°' : ` ${mark.unit}`}`;
}

const view2 = ([x, y]) => `${x.toFixed(2)},${y.toFixed(2)}`;

/** To a hundredth of a pixel, as the other host does. @param {Place} place @returns {Place} */
function rounded([column, row]) {
  return [Math.round(column * 100) / 100, Math.round(row * 100) / 100];
}

function shape(name, attributes) {
  const made = document.createElementNS(SVG, name);
  for (const [key, value] of Object.entries(attributes)) made.setAttribute(key, String(value));
  return made;
}
