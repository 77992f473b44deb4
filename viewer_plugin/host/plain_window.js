// @ts-check
/**
 * Brightness of one image. The node draws the window from all bits of the pixels; until its
 * picture is here, the one on the screen is brightened or darkened to look like it.
 */

/** @typedef {{centre: number, width: number}} Range */

export class Window {
  /**
   * @param {Range | null} stated the window of the header; null: grey levels of the picture only
   * @param {boolean} inverted MONOCHROME1: high values are dark
   */
  constructor(stated, inverted = false) {
    this.exact = stated !== null;
    /** The window that the picture on the screen was made with. @type {Range} */
    this.drawn = stated ?? { centre: 127.5, width: 255 };
    this.start = this.drawn;
    this.wanted = this.drawn;
    this.inverted = this.exact && inverted;
    this.negative = false;
  }

  /** @param {number} across change of the width @param {number} down of the centre; shares of the width */
  change(across, down) {
    const { centre, width } = this.wanted;
    const span = Math.max(width, this.start.width / 4);
    this.wanted = { centre: centre + down * span, width: Math.max(width + across * span, this.start.width / 50, 1) };
  }

  reset() {
    this.wanted = this.start;
    this.negative = false;
  }

  /** Whether the node should draw anew. */
  get stale() {
    return this.exact && (this.wanted.centre !== this.drawn.centre || this.wanted.width !== this.drawn.width);
  }

  /** Of the header's own window nothing is said: the node knows it, and look-up tables too. */
  get query() {
    const { centre, width } = this.wanted;
    return this.wanted === this.start ? '' : `window=${centre.toFixed(2)},${width.toFixed(2)},linear`;
  }

  /** Slope and intercept from the grey of the picture (0 to 1) to the one that is wanted. */
  get tone() {
    const low = range => range.centre - range.width / 2;
    let slope = this.drawn.width / this.wanted.width;
    let intercept = (low(this.drawn) - low(this.wanted)) / this.wanted.width;
    if (this.inverted) intercept = 1 - slope - intercept;
    if (this.negative) [slope, intercept] = [-slope, 1 - intercept];
    return { slope, intercept };
  }
}

/** The window of a header in DICOM JSON; null when grey values do not follow from one. */
export function statedWindow(/** @type {any} */ header) {
  const number = tag => Number(header[tag]?.Value?.[0]);
  const [centre, width] = [number('00281050'), number('00281051')];
  const lut = header['00283010']?.Value?.length;
  const grey = String(header['00280004']?.Value?.[0] ?? '').startsWith('MONOCHROME');
  return grey && !lut && Number.isFinite(centre) && width >= 1 ? { centre, width } : null;
}
