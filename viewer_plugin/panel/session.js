// @ts-check
/**
 * One study being read: what was loaded, what the reader has entered, where they are.
 * Knows nothing of the page; views are drawn from it and call its methods.
 */

import { NO_ADVICE } from './advice.js';
import { overtaken, recallAside } from './after_signing.js';
import { ApiError } from './api.js';
import { withShown } from './groups.js';
import * as change from './reading.js';
import { Changes } from './changes.js';
import { Measuring } from './measuring.js';
import { quietPhrasing } from './phrasing.js';
import { Priors } from './priors.js';
import { SaveQueue } from './save_queue.js';
import { Sender } from './sender.js';
import { connect, takeOver } from './preferences.js';
import { ordered, nextOpen, neighbour, openViews, sectionsOf } from './walk.js';
import { strings } from './strings.js';

const UNDO_DEPTH = 200;

export class Session {
  /** @type {'loading' | 'failed' | 'ready'} */
  status = 'loading';
  failure = '';
  failureStatus = 0;
  /** @type {any} */
  opening = null;
  /** @type {any} */
  reading = null;
  /** @type {import('./types.js').Gap[]} */
  gaps = [];
  advice = NO_ADVICE;
  /** @type {any[]} */
  documents = [];
  /** Items whose card was before the reader's eyes; kept with the next change. */
  displayed = /** @type {Set<string>} */ (new Set());
  section = 'bone';
  item = '';
  view = '';
  side = '';
  editing = '';
  wholeLimb = false;
  /** Id of the group whose members are shown together; "" is none. */
  sheet = '';
  /** The bird's-eye sheet that was last seen to its end. */
  seenWhole = '';
  /** The open field of a finding, and the descriptor whose note is shown. */
  field = { finding: '', name: '', hint: '' };
  correcting = { image: '', busy: false, error: '' };
  /** What lies over the whole panel. */
  help = /** @type {'' | 'keys' | 'search' | 'phrases'} */ ('');
  /** The phrase that is being written, and what was said of the last one. */
  phrasing = quietPhrasing();
  /** The search over commands: what was typed, and the entry chosen. */
  sought = { words: '', at: 0 };
  /** The command that waits for its new key, and what was said of the last one. */
  rekeying = { name: '', said: '', bad: false };
  message = '';
  preview = null;
  signing = { busy: false, waiting: false, error: '' };
  /** What is being done with the signed report, and whether giving a correction up is asked back. */
  deed = '';
  confirming = false;
  /** @type {any} what was entered here while another reader signed */
  aside = null;
  /** The presentation state that lies over the images. @type {{uid: string, layer: import('../host/layer.js').Layer} | null} */
  presented = null;
  /** Half-written text that is not part of the reading: addendum, search words. */
  drafts = /** @type {Record<string, string>} */ ({});
  /** Study whose images are beside today's, or "sides"; how many more studies are listed. */
  beside = '';
  /** What lies beside what. @type {import('../host/host.js').Beside | null} */
  plan = null;
  moreStudies = 0;
  undoStack = /** @type {any[]} */ ([]);
  listeners = new Set();

  /**
   * @param {string} study
   * @param {import('./api.js').Api} api
   * @param {{get: (key: string) => string | null, set: (key: string, text: string | null) => void}} keep
   *   holds what the node has not acknowledged, over a reload of the page
   */
  constructor(study, api, keep) {
    this.study = study;
    this.api = api;
    this.keep = keep;
    this.priors = new Priors(() => api.priors(study), () => this.#priorsCame());
    this.changes = new Changes(asked => api.changes(study, asked), () => this.update());
    this.measuring = new Measuring(this);
    const sender = new Sender(api, study);
    this.queue = new SaveQueue({
      send: (version, reading) => sender.save(version, reading),
      onChange: () => this.#queueChanged(),
      onSaved: answer => this.#saved(answer),
    });
  }

  #priorsCame() {
    this.changes.forget();
    this.update();
  }

  subscribe(listener) {
    this.listeners.add(listener);
    return () => this.listeners.delete(listener);
  }

  /** Redraw; `change` may set fields first. */
  update(fields = {}) {
    Object.assign(this, fields);
    for (const listener of [...this.listeners]) listener(this);
  }

  get template() {
    return /** @type {import('./types.js').Template} */ (this.opening.template);
  }

  /** Signed or withdrawn: nothing can be entered. */
  get signed() {
    return ['signed', 'withdrawn'].includes(this.opening?.state);
  }

  /** Whether the reader is going through the search pattern: only then are answers given. */
  get walking() {
    return !['conclude', 'before'].includes(this.section);
  }

  get currentItem() {
    return this.template.items.find(item => item.id === this.item) ?? null;
  }

  async load() {
    this.update({ status: 'loading', failure: '' });
    try {
      const who = await this.api.whoami();
      connect(change => this.api.change('PATCH', '/preferences', JSON.stringify(change)));
      takeOver(who?.user ?? '', who?.preferences);
      this.take(await this.api.open(this.study));
      this.priors.load();
    } catch (error) {
      const known = error instanceof ApiError;
      if (!known) console.error(error);
      this.update({ status: 'failed', failure: error.message, failureStatus: known ? error.status : -1 });
    }
  }

  /** Everything as the node has it; the place of the reader stays where it still exists. */
  take(opening) {
    this.#stands(opening);
    this.gaps = opening.gaps;
    this.advice = opening.advice ?? NO_ADVICE;
    this.documents = opening.documents;
    this.reading = opening.reading;
    this.queue.version = opening.version;
    this.status = 'ready';
    if (!this.currentItem) this.#begin();
    this.#restore(opening.version);
    this.update();
  }

  /** A refusal to do what has been done since says nothing any more. */
  #stands(opening) {
    if (this.opening && this.opening.state !== opening.state) this.signing = { ...this.signing, error: '' };
    this.opening = opening;
  }

  #begin() {
    if (this.signed) this.section = 'conclude';
    const first = nextOpen(this.template, this.reading, '') ?? ordered(this.template)[0];
    if (first) this.choose(first.id, this.signed ? 'conclude' : first.section);
    else this.section = 'conclude';
  }

  /** Bring back what an earlier page could not save. */
  #restore(version) {
    const text = this.keep.get(this.study);
    recallAside(this);
    if (!text) return;
    try {
      const kept = JSON.parse(text);
      if (this.signed) return void this.queue.put(kept.reading); // Refused, and then kept aside.
      this.reading = kept.reading;
      this.queue.version = kept.version;
      this.message = kept.version === version ? strings.save.restored : '';
      this.queue.put(this.reading);
    } catch {
      this.keep.set(this.study, null);
    }
  }

  #queueChanged() {
    const unsaved = this.queue.unsaved;
    const kept = unsaved && JSON.stringify({ version: this.queue.version, reading: unsaved });
    this.keep.set(this.study, kept ?? null);
    this.update();
    if (this.queue.state === 'refused' && this.queue.status === 409) overtaken(this);
  }

  #saved(answer) {
    this.gaps = answer.gaps;
    this.advice = answer.advice ?? this.advice;
    if (answer.reading.template_revision !== this.template.revision) this.#newTemplate();
    this.reading = change.takeValues(this.reading, answer.reading.measurements);
    if (this.section === 'conclude') this.loadPreview();
  }

  /** Images came late and the node has a new template: what was entered is carried over to it. */
  async #newTemplate() {
    const opening = await this.api.open(this.study).catch(() => null);
    // With something to be saved, or saved meanwhile, the answer to that save brings us here again.
    if (!opening || !this.queue.clean || opening.version < this.queue.version) return;
    this.take(opening);
    this.update({ message: strings.save.newTemplate });
  }

  /**
   * Put a changed reading in place, to be undone and saved.
   * @param {any} reading
   * @param {string} [message]
   * @param {string} [field] changes of the same field in a row (typing) are undone together
   */
  commit(reading, message = '', field = '') {
    if (this.signed || reading === this.reading) return;
    if (!field || this.undoStack.at(-1)?.field !== field) this.remember(field);
    this.reading = withShown(this.template, reading, this.displayed);
    if (message || !field) this.message = message; // Who types has not read what it said.
    this.queue.put(this.reading);
  }

  /** What is here now can be had back with undo. */
  remember(field = '') {
    const { reading, item, section, view } = this;
    this.undoStack.push({ reading, item, section, view, field });
    if (this.undoStack.length > UNDO_DEPTH) this.undoStack.shift();
  }

  undo() {
    const before = this.undoStack.pop();
    if (!before || this.signed) return this.update({ message: strings.nothingToUndo });
    const { reading, item, section, view } = before;
    this.measuring.close();
    Object.assign(this, { item, section, view, reading, editing: '', sheet: '', message: strings.undone });
    this.queue.put(reading);
  }

  // --- where the reader is

  choose(id, section = '') {
    const item = this.template.items.find(one => one.id === id);
    if (!item) return;
    const open = openViews(this.template, this.reading, item);
    const asked = change.askedViews(this.template, item);
    const pool = open.length ? open : asked;
    if (section !== 'conclude') this.displayed.add(id);
    if (this.measuring.item !== id) this.measuring.close();
    this.update({
      item: id,
      section: section || item.section,
      side: item.side,
      view: pool[0]?.uid ?? '',
      editing: '',
      sheet: '',
      message: '',
    });
  }

  chooseSection(section) {
    if (section === 'conclude' || section === 'before') {
      this.update({ section, editing: '', sheet: '', message: '' });
      return section === 'conclude' ? this.loadPreview() : undefined;
    }
    const items = this.template.items.filter(item => item.section === section);
    const sameSide = items.filter(item => !this.side || item.side === this.side);
    const pool = sameSide.length ? sameSide : items;
    const first = pool.find(item => openViews(this.template, this.reading, item).length) ?? pool[0];
    if (first) this.choose(first.id);
    else this.update({ section, item: '', editing: '' });
  }

  /** From a page beside the search pattern to the structure that was being read. */
  back() {
    if (this.signed || !this.currentItem) this.chooseSection('conclude');
    else this.choose(this.item);
  }

  stepSection(step) {
    const all = [...sectionsOf(this.template), 'conclude'];
    const next = all[all.indexOf(this.section) + step];
    if (next) this.chooseSection(next);
  }

  next() {
    const item = nextOpen(this.template, this.reading, this.item);
    if (item) this.choose(item.id);
    else this.chooseSection('conclude');
  }

  previous() {
    const item = neighbour(this.template, this.item, -1);
    if (item) this.choose(item.id);
  }

  editFinding(id) {
    const finding = this.reading.findings.find(f => f.id === id);
    if (!finding) return;
    this.choose(finding.item);
    this.update({ view: finding.view, editing: id });
  }

  // --- conclusion

  async loadPreview() {
    try {
      this.update({ preview: await this.api.preview(this.study) });
    } catch (error) {
      this.update({ preview: { error: error.message } });
    }
  }

  /** Ask how far the delivery of the documents has come. */
  async refresh() {
    const opening = await this.api.open(this.study);
    this.#stands(opening);
    this.documents = opening.documents;
    this.gaps = opening.gaps;
    this.advice = opening.advice ?? NO_ADVICE;
    if (this.queue.clean) {
      this.reading = opening.reading;
      this.queue.version = opening.version;
    }
    this.update();
  }
}
