// @ts-check
/**
 * Dictation into the text field that was written in last. Only the browser's own recognition on
 * this device is used: where it cannot be had, or would send sound away, nothing is started and
 * the reader is told. Off until the reader's account chose a language for it.
 */

import { write } from './phrase_fields.js';
import { preferences } from './preferences.js';
import { strings } from './strings.js';

const text = strings.dictation;

export const DICTATION_KEY = 'F9';

/** Languages of dictation; "" is off. */
export const SPOKEN = /** @type {const} */ (['', 'en-US', 'en-GB', 'de-DE']);

/** @typedef {'quiet' | 'asking' | 'fetchable' | 'fetching' | 'listening'} State */

export class Dictation {
  /**
   * @param {() => void} changed called to draw anew
   * @param {() => any} field the text field to write in, or null
   * @param {any} [scope] where the browser's recognition is; tests give their own
   */
  constructor(changed, field, scope = globalThis) {
    this.changed = changed;
    this.field = field;
    this.scope = scope;
    /** @type {State} */
    this.state = 'quiet';
    this.said = '';
    /** What is heard and may still change. */
    this.heard = '';
    /** @type {any} */
    this.running = null;
  }

  get on() {
    return preferences().dictation !== '';
  }

  #show(/** @type {State} */ state, said = '') {
    Object.assign(this, { state, said, heard: '' });
    this.changed();
  }

  /** Begin, or end what was begun. */
  async toggle() {
    if (this.state === 'listening') return this.stop();
    if (this.state === 'asking' || this.state === 'fetching') return;
    const field = this.field();
    if (!field) return this.#show('quiet', text.noField);
    this.#show('asking');
    const can = await this.#ability();
    if (can === 'available') return this.#listen(field);
    this.#show(can === 'downloadable' ? 'fetchable' : 'quiet', can === 'downloadable' ? text.fetchable : can === 'downloading' ? text.fetching : text.cannot);
  }

  stop() {
    this.running?.stop();
  }

  /** Have the browser fetch its recognition for this language; nothing is said meanwhile. */
  async fetchLanguage() {
    this.#show('fetching', text.fetching);
    const done = await this.#kind()?.install({ langs: [preferences().dictation], processLocally: true }).catch(() => false);
    this.#show('quiet', done ? text.fetched : text.cannot);
  }

  /** The browser's recognition, if it is one that can be kept on the device. */
  #kind() {
    const kind = this.scope.SpeechRecognition;
    return kind?.available && kind.prototype && 'processLocally' in kind.prototype ? kind : null;
  }

  async #ability() {
    const kind = this.#kind();
    if (!kind) return 'unavailable';
    return kind.available({ langs: [preferences().dictation], processLocally: true }).catch(() => 'unavailable');
  }

  #listen(field) {
    const kind = this.#kind();
    const running = new kind();
    Object.assign(running, { lang: preferences().dictation, continuous: true, interimResults: true, processLocally: true });
    // A browser that does not keep this setting would send the sound away.
    if (running.processLocally !== true) return this.#show('quiet', text.cannot);
    this.running = running;
    let failure = '';
    running.onresult = event => this.#take(field, event);
    running.onerror = event => { failure = event.error === 'not-allowed' ? text.noMicrophone : event.error === 'no-speech' || event.error === 'aborted' ? '' : text.failed; };
    running.onend = () => {
      this.running = null;
      this.#show('quiet', failure);
    };
    try {
      running.start();
    } catch {
      this.running = null;
      return this.#show('quiet', text.failed);
    }
    field.focus();
    this.#show('listening');
  }

  #take(field, event) {
    let heard = '';
    for (let at = event.resultIndex; at < event.results.length; at += 1) {
      const { isFinal, 0: { transcript } } = event.results[at];
      if (isFinal) this.#write(field, transcript.trim());
      else heard += transcript;
    }
    this.heard = heard;
    this.changed();
  }

  #write(field, words) {
    if (!words || field.readOnly) return;
    if (!field.isConnected) return this.stop(); // The field is gone: nothing is written elsewhere.
    const before = field.value.slice(0, field.selectionStart);
    write(field, `${before && !/\s$/.test(before) && !/^[.,;:!?]/.test(words) ? ' ' : ''}${words}`, field.selectionStart, field.selectionEnd);
  }
}
