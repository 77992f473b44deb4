// @ts-check
/**
 * Links two viewports of the host viewer: what the hand does to one, the other does too, from where
 * it stands. The viewer's own link makes both look at the same pixels, which is another place
 * where the limb lies elsewhere on the film.
 */

/** @typedef {{zoom: number, pan: [number, number]}} Stand */

export class PairLink {
  /** @param {import('./ohif.js').OhifHost} host */
  constructor(host) {
    this.host = host;
    /** Viewport -> its partner. @type {Map<string, string>} */
    this.partners = new Map();
    /** @type {Map<string, {element: Element, stop: () => void}>} */
    this.heard = new Map();
    /** @type {Map<string, Stand>} */
    this.stands = new Map();
    this.quiet = false;
  }

  /** @param {[string, string][]} pairs ids of viewports */
  link(pairs) {
    this.unlink();
    for (const [a, b] of pairs) this.partners.set(a, b).set(b, a);
    for (const id of this.partners.keys()) this.listen(id);
  }

  unlink() {
    for (const { stop } of this.heard.values()) stop();
    this.heard.clear();
    this.partners.clear();
    this.stands.clear();
  }

  /** A viewport has its image: from now on it is followed. */
  listen(/** @type {string} */ id) {
    const element = this.partners.has(id) && this.host.viewport(id)?.element;
    if (!element) return;
    this.#note(id);
    if (this.heard.get(id)?.element === element) return;
    this.heard.get(id)?.stop();
    const moved = () => this.#moved(id);
    const name = this.host.cornerstone.Enums.Events.CAMERA_MODIFIED;
    element.addEventListener(name, moved);
    this.heard.set(id, { element, stop: () => element.removeEventListener(name, moved) });
  }

  /**
   * Cameras are moved here without the partner going along.
   * @template T
   * @param {() => T} move
   * @returns {T}
   */
  silently(move) {
    const before = this.quiet;
    this.quiet = true;
    try {
      return move();
    } finally {
      this.quiet = before;
      for (const id of this.partners.keys()) this.#note(id);
    }
  }

  #note(id) {
    const now = standOf(this.host.viewport(id));
    if (now) this.stands.set(id, now);
  }

  #moved(id) {
    const partner = this.partners.get(id);
    const [before, now] = [this.stands.get(id), standOf(this.host.viewport(id))];
    const other = partner && this.host.viewport(partner);
    if (this.quiet || !before || !now || !other?.getImageData?.()) return;
    const ratio = now.zoom / before.zoom;
    // Zooming about the middle takes the pan along; what is more than that was a shift.
    const shift = now.pan.map((v, i) => v - ratio * before.pan[i]);
    if (Math.abs(ratio - 1) < 1e-6 && Math.hypot(shift[0], shift[1]) < 0.01) return;
    this.silently(() => {
      other.setZoom(other.getZoom() * ratio);
      const pan = other.getPan();
      other.setPan([pan[0] + shift[0], pan[1] + shift[1]]);
      other.render();
    });
  }
}

/** @returns {Stand | null} null: no image is there */
function standOf(viewport) {
  if (!viewport?.getImageData?.()) return null;
  const [x, y] = viewport.getPan();
  return { zoom: viewport.getZoom(), pan: [x, y] };
}
