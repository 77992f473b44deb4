// @ts-check
/**
 * Saves one study. When an answer of the node was lost, the next attempt meets a version that is
 * our own: that is told from a change by somebody else, so that no false alarm is raised.
 */

import { sameEntries } from './reading.js';

export class Sender {
  /**
   * @param {import('./api.js').Api} api
   * @param {string} study
   */
  constructor(api, study) {
    this.api = api;
    this.study = study;
    /** Sent since the last acknowledgement; any of them may have arrived. */
    this.sent = /** @type {any[]} */ ([]);
  }

  /**
   * @param {number} version
   * @param {import('./types.js').Reading} reading
   */
  async save(version, reading) {
    this.sent.push(reading);
    const answer = await this.#attempt(version, reading);
    this.sent = [];
    return answer;
  }

  async #attempt(version, reading) {
    try {
      return await this.api.save(this.study, version, reading);
    } catch (error) {
      if (error.status !== 412) throw error;
      const theirs = await this.api.open(this.study);
      if (sameEntries(theirs.reading, reading)) return { ...theirs, saved_at: new Date().toISOString() };
      if (!this.sent.some(mine => sameEntries(theirs.reading, mine))) throw error;
      return this.api.save(this.study, theirs.version, reading);
    }
  }
}
