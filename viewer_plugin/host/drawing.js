// @ts-check
/**
 * A length or an angle that is being set on an image: by clicks or taps, by a drag, or by keys that
 * move a cross. Knows places, not the page; `layer_svg.js` hands it what the pointer and keys do.
 */

export const NEEDED = { length: 2, angle: 3 };
/** Nearer than this on the screen, a second press is one too many and no point. */
const SHORTEST = 3;

/** @typedef {[number, number]} Point */
/** @typedef {import('./layer_svg.js').Look} Look */

export class Drawing {
  /**
   * @param {'length'|'angle'} kind
   * @param {(drawn: {kind: 'length'|'angle', uid: string, points: Point[]}) => void} finish
   */
  constructor(kind, finish) {
    this.kind = kind;
    this.finish = finish;
    this.uid = '';
    this.points = /** @type {Point[]} */ ([]);
    /** Where the next point would be, while the pointer is on its way. @type {Point | null} */
    this.next = null;
    /** What the keys move. @type {{uid: string, point: Point} | null} */
    this.cross = null;
  }

  /** @param {Look} look @param {Point} point */
  press(look, point) {
    this.cross = null;
    this.#on(look.uid);
    if (this.points.length) this.next = point;
    else this.points = [point];
  }

  /** @param {Look} look @param {Point} point */
  move(look, point) {
    if (this.points.length && this.uid === look.uid) this.next = point;
  }

  /** Let go where it was pressed it is a click; elsewhere it was a drag and ends in a point. @param {Look} look @param {Point} point */
  release(look, point) {
    this.next = null;
    const last = this.points.at(-1);
    if (!last || this.uid !== look.uid) return;
    const [x, y] = look.place(point);
    const [a, b] = look.place(last);
    if (Math.hypot(x - a, y - b) < SHORTEST) return;
    this.points.push(point);
    if (this.points.length === NEEDED[this.kind]) this.finish({ kind: this.kind, uid: this.uid, points: this.points });
  }

  /** The cross is set where it stands. @param {Look} look @param {Point} middle of what is seen */
  set(look, middle) {
    const point = this.#crossOn(look, middle);
    this.press(look, point);
    if (this.next) this.release(look, point);
    this.cross = { uid: look.uid, point };
  }

  /** @param {Look} look @param {Point} middle @param {number} right @param {number} down pixels of the screen */
  step(look, middle, right, down) {
    const [x, y] = look.place(this.#crossOn(look, middle));
    this.cross = { uid: look.uid, point: look.point([x + right, y + down]) };
    if (this.points.length && this.uid === look.uid) this.next = this.cross.point;
  }

  /** The last point away again. */
  back() {
    this.points.pop();
    this.next = null;
  }

  #crossOn(look, middle) {
    const { cross } = this;
    return cross && cross.uid === look.uid ? cross.point : middle;
  }

  /** Points of two images make no line: another image begins anew. */
  #on(uid) {
    if (this.uid !== uid) this.points = [];
    this.uid = uid;
  }

  /** @returns {import('./layer.js').LayerShape[]} */
  shapes() {
    const shape = (kind, name, uid, points) => ({ uid, kind, name, points, tone: /** @type {const} */ ('now') });
    const line = this.next ? [...this.points, this.next] : this.points;
    return [
      ...(line.length > 1 ? [shape('line', 'drawing', this.uid, line)] : []),
      ...this.points.map(point => shape('points', 'set', this.uid, [point])),
      ...(this.cross ? [shape('cross', 'cross', this.cross.uid, [this.cross.point])] : []),
    ];
  }
}
