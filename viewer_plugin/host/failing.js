// @ts-check
/** Which images the host viewer could not load; it leaves their viewports black without a word. */

const FAILED = ['CORNERSTONE_IMAGE_LOAD_FAILED', 'IMAGE_LOAD_ERROR'];
const LOADED = ['CORNERSTONE_IMAGE_LOADED', 'CORNERSTONE_IMAGE_CACHE_IMAGE_ADDED'];

export class Failing {
  /**
   * @param {import('./ohif.js').OhifHost} host
   * @param {() => void} onChange
   */
  constructor(host, onChange) {
    this.host = host;
    this.onChange = onChange;
    /** @type {Set<string>} */
    this.uids = new Set();
    /** @type {(() => void)[]} */
    this.stops = [];
  }

  start() {
    const target = this.host.cornerstone?.eventTarget;
    if (!target) return;
    const follow = (names, act) => names.forEach(name => {
      const listener = ({ detail }) => this.#note(act, detail?.imageId ?? detail?.image?.imageId);
      target.addEventListener(name, listener);
      this.stops.push(() => target.removeEventListener(name, listener));
    });
    follow(FAILED, uid => !this.uids.has(uid) && this.uids.add(uid));
    follow(LOADED, uid => this.uids.delete(uid));
  }

  stop() {
    for (const stop of this.stops.splice(0)) stop();
    this.uids.clear();
  }

  #note(act, imageId) {
    const uid = imageId && this.host.uidOf(imageId);
    if (uid && act(uid)) this.onChange();
  }

  /** Those of them that are on the screen. */
  shown() {
    return this.host.images().map(image => image.uid).filter(uid => this.uids.has(uid));
  }

  /** Load it once more into the viewports that want it. */
  again(uid) {
    for (const { viewportId } of this.host.images().filter(image => image.uid === uid)) {
      const viewport = this.host.viewport(viewportId);
      const ids = viewport?.getImageIds?.() ?? [];
      if (ids.length) viewport.setStack(ids, 0)?.catch?.(() => {});
    }
  }
}
