// @ts-check
/** What helps to write in the text fields of the panel: phrases by name, dictation. */

import { DICTATION_KEY, Dictation } from './dictation.js';
import { PhraseFields } from './phrase_fields.js';

export class Writing {
  /**
   * @param {import('./session.js').Session} session
   * @param {HTMLElement} stage
   * @param {() => void} settle draws what is still to be drawn
   */
  constructor(session, stage, settle) {
    this.fields = new PhraseFields(session, stage, settle);
    this.dictation = new Dictation(() => session.update(), () => this.fields.field());
  }

  /** A key anywhere in the panel. @param {KeyboardEvent} event  @returns {boolean} whether it was ours */
  onKey(event) {
    if (event.key === DICTATION_KEY && this.dictation.on) {
      event.preventDefault();
      this.dictation.toggle();
      return true;
    }
    return this.fields.onKey(event);
  }

  leave() {
    this.dictation.stop();
  }
}
