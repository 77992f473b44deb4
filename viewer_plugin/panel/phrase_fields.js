// @ts-check
/**
 * Phrases in the text fields of the panel: `;name` and Tab puts one there, Tab goes on to its next
 * blank, and the search of commands puts one into the field that was written in last.
 */

import { localDateTime } from './header.js';
import { applies, blankFrom, filled, nameBefore, phraseFor } from './phrases.js';
import { preferences } from './preferences.js';
import { askedViews } from './reading.js';
import { lower, strings } from './strings.js';

const text = strings.phrases;
const FIELDS = 'textarea:not([readonly], [data-no-phrases]), input[type=text]:not([role=combobox], [data-no-phrases])';

/** The kind of words that a field takes; "" for any. @param {any} field */
export const kindOf = field => field.dataset.text ?? '';

/** Whether free text is written there. @param {any} target */
export const isFreeText = target => Boolean(target?.matches?.(FIELDS));

/** Fields are made anew when a page of the panel comes back; their name stays. */
const nameOf = field => [field.localName, field.dataset.field, kindOf(field), field.getAttribute('aria-label'), field.getAttribute('placeholder')].join('|');

export class PhraseFields {
  /**
   * @param {import('./session.js').Session} session
   * @param {HTMLElement} stage
   * @param {() => void} settle draws what is still to be drawn
   */
  constructor(session, stage, settle) {
    this.session = session;
    this.stage = stage;
    this.settle = settle;
    /** Where was written last, and the caret there. */
    this.last = { name: '', start: 0, end: 0 };
    /** The field whose blanks Tab visits. @type {any} */
    this.filling = null;
    stage.addEventListener('focusout', event => this.remember(event.target));
  }

  remember(/** @type {any} */ field) {
    if (isFreeText(field)) this.last = { name: nameOf(field), start: field.selectionStart, end: field.selectionEnd };
  }

  /** The field that has the focus, else the one that was written in last; null when it is gone. */
  field() {
    this.settle();
    const root = /** @type {ShadowRoot} */ (this.stage.getRootNode());
    if (isFreeText(root.activeElement)) return /** @type {any} */ (root.activeElement);
    const field = /** @type {any} */ ([...this.stage.querySelectorAll(FIELDS)].find(one => nameOf(one) === this.last.name));
    field?.setSelectionRange(this.last.start, this.last.end);
    return field ?? null;
  }

  /** @param {KeyboardEvent} event  @returns {boolean} whether it was ours */
  onKey(event) {
    const field = /** @type {any} */ (event.composedPath()[0]);
    if (event.key !== 'Tab' || event.shiftKey || event.ctrlKey || event.altKey || !isFreeText(field)) return false;
    const typed = nameBefore(field.value, field.selectionStart);
    if (typed && field.selectionStart === field.selectionEnd) return this.expand(field, typed, event);
    return this.filling === field && this.toBlank(field, field.selectionEnd, event);
  }

  expand(field, { name, start }, event) {
    const phrases = preferences().phrases;
    const phrase = phraseFor(phrases, name, kindOf(field));
    if (!phrase) {
      const elsewhere = phrases.find(one => one.name === name);
      this.session.update({ message: elsewhere ? text.notHere(name, text.wheres[elsewhere.where]) : text.unknown(name) });
      return false;
    }
    event.preventDefault();
    this.put(field, phrase, start, field.selectionStart);
    return true;
  }

  /** Into the field that was written in last. @param {import('./preferences.js').Phrase} phrase */
  insert(phrase) {
    const field = this.field();
    if (!field || !applies(phrase, kindOf(field))) {
      return this.session.update({ message: field ? text.notHere(phrase.name, text.wheres[phrase.where]) : text.noField });
    }
    field.focus();
    this.put(field, phrase, field.selectionStart, field.selectionEnd);
  }

  put(field, phrase, start, end) {
    const words = filled(phrase.text, this.known());
    write(field, words, start, end);
    this.filling = field;
    this.toBlank(field, start);
  }

  toBlank(field, from, event = /** @type {any} */ (null)) {
    const blank = blankFrom(field.value, from);
    if (blank) {
      field.setSelectionRange(blank.start, blank.end);
      event?.preventDefault();
    } else this.filling = null;
    return Boolean(blank);
  }

  /** What the blanks are filled with; under Conclude no structure is before the reader. */
  known() {
    const { session } = this;
    const item = session.walking ? session.currentItem : null;
    const view = item && askedViews(session.template, item).find(one => one.uid === session.view);
    const sides = [...new Set(session.template.views.map(one => one.side))];
    const side = item?.side ?? (sides.length === 1 ? sides[0] : '');
    return {
      structure: item?.name ?? '', view: view?.label ?? '',
      side: side && side !== 'U' ? lower(strings.sides[side]) : '', date: localDateTime(new Date().toISOString()).slice(0, 10),
    };
  }
}

/** Put words into a field as if they had been typed. @param {any} field */
export function write(field, words, start, end) {
  field.setRangeText(words, start, end, 'end');
  field.dispatchEvent(new InputEvent('input', { bubbles: true, inputType: 'insertText' }));
}
