// @ts-check
/**
 * Dim, named outlines of normal variants on the images, so that nobody trips over them again.
 * Each is part of the reading from the moment it is placed. Knows the session, not the page.
 */

import { maps } from './maps.js';
import { axesOf, ellipse, lineOf, middleOf, movedTo, pulled, scaled, traced, turned, within } from './outline_shape.js';
import { askedViews, freshId, observation, setObservation } from './reading.js';
import { strings } from './strings.js';
import { dayText } from './numbers.js';
import { guideOf } from './tour.js';

/** @typedef {[number, number]} Point */
/** @typedef {import('./types.js').Outline} Outline */

const text = strings.outlines;

/** What a variant that the atlas knows of a structure is called on an image, by its id there. */
const KNOWN = {
  bipartite: 'bipartite', partite: 'partite', fovea: 'fovea', foramen: 'supratrochlear foramen', supracondylar_foramen: 'supracondylar foramen',
  ossicle: 'ossicle', cut_back: 'cut-back zone', channels: 'vascular channels', third_trochanter: 'third trochanter', vacuum: 'vacuum phenomenon', centres: 'ossification centre',
};
const COMMON = ['nutrient foramen', 'nutrient canal', 'bipartite', 'ossicle', 'superimposed edge'];

/** @type {WeakMap<object, Outlines>} */
const known = new WeakMap();

/** @param {import('./session.js').Session} session @returns {Outlines} */
export function outlinesOf(session) {
  if (!known.has(session)) known.set(session, new Outlines(session));
  return /** @type {Outlines} */ (known.get(session));
}

/** Names that fit a structure, those of the atlas first. @returns {string[]} */
export function namesFor(/** @type {import('./types.js').Item} */ item) {
  const own = item.variants.flatMap(variant => KNOWN[variant.id] ?? []);
  return [...new Set([...own, ...COMMON])];
}

export class Outlines {
  /** @param {import('./session.js').Session} session */
  constructor(session) {
    this.session = session;
    this.hidden = false;
    /** Id of the outline that is being placed. */
    this.editing = '';
    this.chosen = 'place';
    /** While a handle is dragged. @type {Outline | null} */
    this.moving = null;
  }

  /** @returns {Outline[]} */
  get all() {
    return this.session.reading.outlines ?? [];
  }

  get current() {
    return this.all.find(one => one.id === this.editing) ?? null;
  }

  /** Clicks on an image, and lines drawn on it, are for the outline at hand. */
  get picking() {
    return this.active;
  }

  /** Undone, or gone to another structure: nothing is being placed any more. */
  get active() {
    const { session, current } = this;
    return Boolean(current) && current?.item === session.item && session.walking && !session.signed;
  }

  of(/** @type {string} */ item, /** @type {string} */ view) {
    return this.all.filter(one => one.item === item && one.view === view);
  }

  #update(change = {}) {
    Object.assign(this, change);
    this.session.update();
  }

  toggle() {
    this.#update({ hidden: !this.hidden });
    this.session.update({ message: this.hidden ? text.nowHidden : text.nowShown });
  }

  /**
   * Place an outline of the structure at hand where the landmarks have it, or in the middle of
   * what is seen; the structure is called a variant there.
   * @param {import('../host/host.js').Host} host
   * @param {{view?: string, name?: string}} [wanted]
   */
  open(host, { view = this.#view(), name = '' } = {}) {
    const { session } = this;
    const item = session.currentItem;
    if (!item || !view || session.signed || !session.walking) return;
    if (observation(session.reading, item.id, view)?.value === 'abnormal') return session.update({ message: text.abnormal });
    const mine = this.of(item.id, view);
    const known = name ? mine.find(one => one.name === name) : mine[0];
    session.measuring.close();
    session.update({ editing: '', sheet: '', view });
    if (known) return this.edit(known);
    this.add(host, item, view, name);
  }

  edit(/** @type {Outline} */ { id, view }) {
    this.session.update({ view });
    this.#update({ editing: id, chosen: 'place', hidden: false });
  }

  /** How many there are on these images, of today and of earlier reports. */
  count(/** @type {Set<string>} */ shown) {
    return [...this.all, ...earlierOutlines(this.session)].filter(one => shown.has(one.view)).length;
  }

  /** One more of the same structure and view. */
  add(host, item, view, name = '') {
    const { session } = this;
    const shape = this.#begin(host, item, view);
    const outline = { id: freshId('o'), item: item.id, view, name: name || (item.variants.flatMap(v => KNOWN[v.id] ?? [])[0] ?? item.name), ...shape };
    const before = observation(session.reading, item.id, view);
    const reading = before?.value === 'variant' ? session.reading : setObservation(session.reading, item.id, view, { value: 'variant', note: before?.note ?? '' });
    session.commit({ ...reading, outlines: [...(reading.outlines ?? []), outline] });
    this.#update({ editing: outline.id, chosen: 'place', hidden: false });
  }

  /** Where a variant was called one and is not outlined yet, else the view at hand. */
  #view() {
    const { session } = this;
    const item = session.currentItem;
    const views = item ? askedViews(session.template, item).map(view => view.uid) : [];
    const called = uid => observation(session.reading, session.item, uid)?.value === 'variant';
    if (called(session.view)) return session.view;
    return views.find(uid => called(uid) && !this.of(session.item, uid).length) ?? views.find(called) ?? session.view;
  }

  #image(uid) {
    return this.session.opening.facts.images.find(one => one.uid === uid) ?? { columns: 0, rows: 0 };
  }

  #begin(host, item, uid) {
    const { session } = this;
    const image = this.#image(uid);
    const view = session.template.views.find(one => one.uid === uid);
    const place = view && guideOf(maps.loaded, session.template, session.reading.landmarks, view, item.side)?.place([item]);
    const at = place ?? null;
    const centre = at ? [at.x, at.y] : host.middle(uid) ?? [image.columns / 2, image.rows / 2];
    const size = at ? at.fov / 9 : Math.min(image.columns, image.rows) / 16 || 40;
    return within(ellipse({ centre, a: size, b: size * 0.7 }), image);
  }

  /** The outline at hand with another shape; by keys many times in a row is one change. */
  put(shape, field = '') {
    const { session, current } = this;
    if (!current || session.signed) return;
    this.moving = null;
    const changed = { ...current, ...within(shape, this.#image(current.view)) };
    session.commit({ ...session.reading, outlines: this.all.map(one => (one.id === current.id ? changed : one)) }, '', field);
    session.update();
  }

  rename(name) {
    const { session, current } = this;
    if (!current || !name.trim()) return;
    const outlines = this.all.map(one => (one.id === current.id ? { ...one, name: name.slice(0, 120) } : one));
    session.commit({ ...session.reading, outlines }, '', `outline name ${current.id}`);
    session.update();
  }

  remove(id = this.editing) {
    const { session } = this;
    if (session.signed) return;
    session.commit({ ...session.reading, outlines: this.all.filter(one => one.id !== id) }, text.removed);
    this.#update({ editing: '' });
  }

  close() {
    this.#update({ editing: '', moving: null });
  }

  choose(part) {
    if (this.chosen !== part) this.#update({ chosen: part });
  }

  /** A step of an arrow key on one of the three: where it is, how large, how it is turned. */
  step(host, part, [right, down], far) {
    const { current } = this;
    if (!current) return;
    const field = `outline ${part} ${current.id}`;
    if (part === 'place') {
      const size = far ? 20 : 2;
      return this.put(movedTo(current, host.nudged(current.view, middleOf(current), right * size, down * size)), field);
    }
    const by = far ? 1.25 : 1.05;
    if (part === 'size') return this.put(scaled(current, by ** right, by ** -down), field);
    this.put(turned(current, (far ? 15 : 3) * (right || down)), field);
  }

  /** A click on the image puts the outline there, a drawn line takes its place. */
  place({ uid, point, path = [] }) {
    const { current } = this;
    if (!current || uid !== current.view) return this.session.update({ message: text.otherImage });
    this.put(traced(path) ?? movedTo(current, point));
  }

  handle({ type, id, point }) {
    const { current } = this;
    if (!current) return;
    const part = id.split('|')[1];
    if (type === 'chosen') return this.choose(part === 'place' ? 'place' : 'size');
    const shape = part === 'place' ? movedTo(current, point) : pulled(current, /** @type {'a'|'b'} */ (part), point);
    if (type === 'moving') return this.#update({ moving: { ...current, ...within(shape, this.#image(current.view)) } });
    this.put(shape, `outline ${part} ${current.id}`);
  }

  /**
   * Today's outlines, and those of earlier reports on their own images.
   * @returns {import('../host/layer.js').Layer}
   */
  layer() {
    const { session } = this;
    const active = this.active ? this.current : null;
    const shown = this.hidden ? [] : this.all.filter(one => one.id !== active?.id).map(one => ({ ...one, label: text.label(one.name), tone: /** @type {const} */ ('dim') }));
    const earlier = this.hidden ? [] : earlierOutlines(session);
    const now = active ? [{ ...(this.moving ?? active), label: text.label(active.name), tone: /** @type {const} */ ('now') }] : [];
    const every = [...shown, ...earlier, ...now];
    return {
      shapes: every.map(one => ({ uid: one.view, kind: /** @type {const} */ ('outline'), name: one.name, points: lineOf(one), tone: one.tone })),
      labels: every.map(one => ({ uid: one.view, point: lineOf(one).reduce((a, b) => (b[0] > a[0] ? b : a)), text: one.label, tone: one.tone })),
      handles: now.flatMap(one => handlesOf(one, this.chosen)),
    };
  }
}

/** Outlines of earlier reports as they lie on the images of those studies. */
export function earlierOutlines(session) {
  const said = Object.values(session.priors.answer?.observations ?? {}).flat();
  return said.flatMap(one => (one.outlines ?? []).map(outline => ({
    ...outline, view: outline.image_uid, label: text.labelThen(outline.name, dayText(one.study_date)), tone: /** @type {const} */ ('dim'),
  })));
}

function handlesOf(outline, chosen) {
  const handle = (part, name, point, mark) => ({ uid: outline.view, id: `${outline.id}|${part}`, name: `${outline.name}: ${name}`, label: mark, point, chosen: chosen === (part === 'place' ? 'place' : 'size') });
  const place = handle('place', text.parts.place, middleOf(outline), '');
  if (outline.kind !== 'ellipse' || axesOf(outline).a < 1) return [place];
  return [place, handle('a', text.axis(1), outline.points[1], ''), handle('b', text.axis(2), outline.points[3], '')];
}
