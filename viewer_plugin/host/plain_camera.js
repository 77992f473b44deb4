// @ts-check
/**
 * Where one image lies on the screen: turned as it hangs, shifted and zoomed. Plain geometry.
 *
 * Places in the image are [column, row] with the centre of the first pixel at (0.5, 0.5); places
 * on the screen are CSS pixels from the upper left corner of the view.
 */

/** @typedef {[number, number]} Place */
/** @typedef {{columns: number, rows: number, stretch?: number, rotation?: number, flip?: boolean}} Picture */

const TURN = { 0: [1, 0], 90: [0, 1], 180: [-1, 0], 270: [0, -1] };
const CLOSEST = 16;

export class Camera {
  /** @param {Picture} picture stretch: height of a pixel over its width */
  constructor({ columns, rows, stretch = 1, rotation = 0, flip = false }) {
    this.columns = columns;
    this.rows = rows;
    this.stretch = stretch;
    const [cos, sin] = TURN[rotation] ?? TURN[0];
    this.cos = cos;
    this.sin = sin;
    this.flip = flip ? -1 : 1;
    this.width = 1;
    this.height = 1;
    /** Screen pixels for one column. */
    this.scale = 1;
    /** The place of the image in the middle of the view. @type {Place} */
    this.centre = [columns / 2, rows / 2];
    this.isWhole = true;
    this.noted = { scale: this.scale, centre: this.centre };
  }

  /** What a column and a row step are on the screen: [a, b, c, d] as CSS transforms have them. */
  get matrix() {
    const { scale, cos, sin, flip, stretch } = this;
    return [scale * cos * flip, scale * sin * flip, -scale * sin * stretch, scale * cos * stretch];
  }

  /** @param {Place} place @returns {Place} */
  toScreen([column, row]) {
    const [a, b, c, d] = this.matrix;
    const [x, y] = [column - this.centre[0], row - this.centre[1]];
    return [this.width / 2 + a * x + c * y, this.height / 2 + b * x + d * y];
  }

  /** @param {Place} place @returns {Place} */
  toImage([x, y]) {
    const [column, row] = this.#turnedBack(x - this.width / 2, y - this.height / 2);
    return [this.centre[0] + column, this.centre[1] + row];
  }

  #turnedBack(x, y) {
    const [a, b, c, d] = this.matrix;
    const area = a * d - b * c;
    return [(d * x - c * y) / area, (a * y - b * x) / area];
  }

  /** The view has another size: what was whole stays whole, a place stays in the middle. */
  resize(/** @type {number} */ width, /** @type {number} */ height) {
    this.width = Math.max(width, 1);
    this.height = Math.max(height, 1);
    if (this.isWhole) this.whole();
  }

  get #wholeScale() {
    const across = [this.columns, this.rows * this.stretch];
    const [width, height] = this.sin ? across.reverse() : across;
    return Math.min(this.width / width, this.height / height);
  }

  whole() {
    this.scale = this.#wholeScale;
    this.centre = [this.columns / 2, this.rows / 2];
    this.isWhole = true;
    this.note();
  }

  /** Centre on a place; fov is the smaller visible side in columns. */
  lookAt(/** @type {number} */ x, /** @type {number} */ y, /** @type {number} */ fov) {
    this.scale = Math.min(this.width, this.height) / Math.max(fov, 1);
    this.centre = [x, y];
    this.isWhole = false;
  }

  /** Move what is seen by so much of the screen. */
  pan(/** @type {number} */ dx, /** @type {number} */ dy) {
    const [column, row] = this.#turnedBack(dx, dy);
    this.centre = [clamp(this.centre[0] - column, this.columns), clamp(this.centre[1] - row, this.rows)];
    this.isWhole = false;
  }

  /** @param {number} factor @param {Place} [at] stays where it is on the screen */
  zoom(factor, at = [this.width / 2, this.height / 2]) {
    const held = this.toImage(at);
    this.scale = Math.min(Math.max(this.scale * factor, this.#wholeScale / 2), CLOSEST);
    const [x, y] = this.toScreen(held);
    this.pan(at[0] - x, at[1] - y);
  }

  /** From here on movements are counted. */
  note() {
    this.noted = { scale: this.scale, centre: this.centre };
  }

  /** Do what another camera did since it was noted. */
  follow(/** @type {Camera} */ other) {
    if (other.isWhole) return this.whole();
    const [x, y] = other.toScreen(other.noted.centre);
    this.zoom(other.scale / other.noted.scale);
    this.pan(x - other.width / 2, y - other.height / 2);
    this.note();
  }
}

function clamp(value, largest) {
  return Math.min(Math.max(value, 0), largest);
}
