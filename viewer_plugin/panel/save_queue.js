// @ts-check
/**
 * Sends every change to the node: one request on its way, the newest content next, trying again
 * when the node is away. It never drops content: what was not acknowledged is `pending`.
 *
 *   saved ──change──▶ saving ──ok──▶ saved            (or saving again when changed meanwhile)
 *                       ├─ no answer ──▶ waiting ──timer──▶ saving
 *                       ├─ 401 ──▶ signedOut ──timer──▶ saving
 *                       ├─ 412 ──▶ conflict ──resolve──▶ saving | saved
 *                       └─ other ──▶ refused ──change──▶ saving
 */

/** @typedef {'saved'|'saving'|'waiting'|'signedOut'|'conflict'|'refused'} State */

export class SaveQueue {
  /**
   * @param {object} options
   * @param {(version: number, content: any) => Promise<any>} options.send
   * @param {(queue: SaveQueue) => void} options.onChange
   * @param {(answer: any, sent: any) => void} [options.onSaved]
   * @param {{set: (fn: () => void, ms: number) => any, clear: (id: any) => void}} [options.timers]
   * @param {number[]} [options.waits] seconds between attempts; the last one repeats
   */
  constructor({ send, onChange, onSaved = () => {}, timers = browserTimers, waits = [1, 2, 4, 8, 15] }) {
    this.send = send;
    this.onChange = onChange;
    this.onSaved = onSaved;
    this.timers = timers;
    this.waits = waits;
    this.version = 0;
    /** @type {State} */
    this.state = 'saved';
    this.reason = '';
    /** HTTP status of the last failure; 0: no answer, or none failed. */
    this.status = 0;
    /** @type {string | null} */
    this.savedAt = null;
    this.pending = undefined;
    this.inFlight = undefined;
    this.attempts = 0;
    this.timer = null;
  }

  /** Whether the node has acknowledged everything. */
  get clean() {
    return this.pending === undefined && this.inFlight === undefined;
  }

  /** What the reader has entered and the node has not acknowledged. */
  get unsaved() {
    return this.pending ?? this.inFlight;
  }

  /** Take over new content. During a conflict it waits for the reader's decision. */
  put(content) {
    this.pending = content;
    if (this.state === 'conflict') this.onChange(this);
    else if (this.inFlight === undefined) this.#go();
    else this.onChange(this);
  }

  /** Try at once what waits. A request on its way is waited for: its answer names the version. */
  flush() {
    if (this.pending === undefined || this.state === 'conflict') return;
    if (this.inFlight === undefined) this.#go();
  }

  /** Give up our content: the reader took the other version. */
  takeTheirs(version) {
    this.#stopTimer();
    this.pending = undefined;
    this.inFlight = undefined;
    this.version = version;
    this.#become('saved');
  }

  /** Save our content as the version after theirs. */
  keepMine(version) {
    this.version = version;
    this.state = 'saving';
    this.#go();
  }

  async #go() {
    this.#stopTimer();
    if (this.pending === undefined) return;
    const content = this.pending;
    this.pending = undefined;
    this.inFlight = content;
    // Sent before anything is drawn: the node works meanwhile.
    const sent = this.send(this.version, content);
    this.#become('saving');
    try {
      const answer = await sent;
      if (this.inFlight !== content) return;
      this.inFlight = undefined;
      this.attempts = 0;
      this.version = answer.version;
      this.savedAt = answer.saved_at;
      this.onSaved(answer, content);
      if (this.pending !== undefined) this.#go();
      else this.#become('saved');
    } catch (error) {
      if (this.inFlight !== content) return;
      this.inFlight = undefined;
      this.pending ??= content;
      this.#failed(error);
    }
  }

  #failed(error) {
    const status = (this.status = error.status ?? 0);
    if (status === 412) {
      this.#become('conflict', error.message);
    } else if (status === 401) {
      this.#become('signedOut', error.message);
      this.#later();
    } else if (error.passing ?? true) {
      this.#become('waiting', error.message);
      this.#later();
    } else {
      this.#become('refused', error.message);
    }
  }

  #later() {
    const seconds = this.waits[Math.min(this.attempts, this.waits.length - 1)];
    this.attempts += 1;
    this.timer = this.timers.set(() => this.#go(), seconds * 1000);
  }

  #stopTimer() {
    if (this.timer !== null) this.timers.clear(this.timer);
    this.timer = null;
  }

  #become(state, reason = '') {
    this.state = state;
    this.reason = reason;
    this.onChange(this);
  }
}

const browserTimers = {
  set: (fn, ms) => setTimeout(fn, ms),
  clear: id => clearTimeout(id),
};
