// @ts-check
/** Setting the landmarks of the views, once for each. Knows the session, not the page. */

import { withBeside } from './beside_guide.js';
import { offLimb } from './landmark_check.js';
import { LimbOutline } from './limb_outline.js';
import { mean } from './points.js';
import { proposed } from './proposing.js';
import { proposedAcross } from './proposing_across.js';
import { courseOn, downOn, guideOf, levelsOf, rightOn, wrongOn } from './tour.js';
import { maps } from './maps.js';
import { strings } from './strings.js';

/** @typedef {[number, number]} Point */

/** Outlines that are asked for at one time. */
const AT_ONCE = 2;

/** @type {WeakMap<object, Landmarks>} */
const known = new WeakMap();

/** @param {import('./session.js').Session} session @returns {Landmarks} */
export function landmarksOf(session) {
  if (!known.has(session)) known.set(session, new Landmarks(session));
  return /** @type {Landmarks} */ (known.get(session));
}

export class Landmarks {
  /** @param {import('./session.js').Session} session */
  constructor(session) {
    this.session = session;
    /** The structure they were opened from; leaving it leaves them. */
    this.from = '';
    /** @type {{uid: string, id: string}} what the next click or key is about */
    this.chosen = { uid: '', id: '' };
    /** Where the limb lies, by view. @type {Record<string, LimbOutline>} */
    this.limbs = {};
    /** Images of which that was asked. */
    this.asked = new Set();
    /** Why that is not known, by view. @type {Record<string, string>} */
    this.refusals = {};
    /** @type {{key: any[], found: Record<string, Record<string, Point>>}} */
    this.made = { key: [], found: {} };
    /** @type {{uid: string, id: string, point: Point} | null} while it is dragged */
    this.moving = null;
    this.error = '';
    this.pressed = false;
  }

  get active() {
    return Boolean(this.from) && this.from === this.session.item && this.session.walking && !this.session.signed;
  }

  /** Today's template with the earlier images that lie beside. */
  get template() {
    return withBeside(this.session).template;
  }

  /** Views of the limb that is read, earlier ones beside them too, with their landmarks. */
  get views() {
    const { template } = this;
    const { side } = this.session;
    return template.views
      .map(view => ({ view, ids: levelsOf(maps.loaded, template, view, side).flatMap(level => level.ids) }))
      .filter(({ view, ids }) => ids.length > 1 && levelsOf(maps.loaded, template, view, side).length > 1);
  }

  get set() {
    return /** @type {Record<string, Record<string, Point>>} */ (withBeside(this.session).own);
  }

  /** By view, what would be taken over with one press. @returns {Record<string, Record<string, Point>>} */
  get proposals() {
    const { session, set, template } = this;
    const key = [this.active, set, this.limbs, template, session.side];
    if (!key.every((one, i) => one === this.made.key[i])) this.made = { key, found: this.active ? this.#proposed() : {} };
    return this.made.found;
  }

  /** From what the reader has set; on an earlier image also what is carried over from today's. */
  #proposed() {
    const { session, set, template } = this;
    const { guesses, earlier } = withBeside(session);
    return Object.fromEntries(this.views.map(({ view, ids }) => {
      const guess = Object.entries(earlier.has(view.uid) ? guesses[view.uid] ?? {} : {}).filter(([id]) => ids.includes(id));
      if (guess.length) return [view.uid, Object.fromEntries(guess)];
      const levels = levelsOf(maps.loaded, template, view, session.side);
      const right = rightOn(view, session.side, this.#image(view.uid));
      const [own, limb] = [set[view.uid] ?? {}, this.limbs[view.uid] ?? null];
      return [view.uid, { ...proposed(levels, own, limb, right), ...proposedAcross(levels, own, limb, { ...this.#course(view), right, down: downOn(session.side, this.#image(view.uid)) }) }];
    }));
  }

  /** How the levels lie on that other image of today which says most, of the same limb if it can be. */
  #course(view) {
    const { session, set, template } = this;
    const { earlier } = withBeside(session);
    const spacing = uid => this.#image(uid)?.spacing ?? { kind: 'none', column_mm: 0 };
    const { kind, column_mm: mm } = spacing(view.uid);
    const others = template.views.filter(one => one.uid !== view.uid && !earlier.has(one.uid) && spacing(one.uid).kind === kind)
      .map(one => ({ other: one.side !== view.side, course: courseOn(maps.loaded, template, set, one, one.side === view.side ? session.side : one.side, spacing(one.uid).column_mm) }));
    const [best] = others.sort((a, b) => Number(a.other) - Number(b.other) || b.course.length - a.course.length);
    return { course: best?.course ?? [], mm };
  }

  #image(uid) {
    return this.session.opening.facts.images.find(one => one.uid === uid);
  }

  /** @returns {Point | null} */
  point(uid, id) {
    const moving = /** @type {any} */ (this.moving);
    if (moving?.uid === uid && moving.id === id) return moving.point;
    return this.set[uid]?.[id] ?? this.proposals[uid]?.[id] ?? null;
  }

  isProposed(uid, id) {
    return !this.set[uid]?.[id] && Boolean(this.proposals[uid]?.[id]);
  }

  /** Views of a structure that cannot be guided yet though they have landmarks to set. */
  missing(item) {
    const { template, side } = this.session;
    const { earlier } = withBeside(this.session);
    return this.views.filter(({ view }) => !earlier.has(view.uid) && view.uid in item.visibility && item.visibility[view.uid] !== 'no' && !guideOf(maps.loaded, template, this.set, view, side) && !this.wrong(view)).map(({ view }) => view);
  }

  /** What speaks against the landmarks of a view as they stand, proposed ones too. */
  wrong(view) {
    const { session, template } = this;
    const moving = /** @type {any} */ (this.moving);
    const points = { ...this.proposals[view.uid], ...this.set[view.uid], ...(moving?.uid === view.uid && { [moving.id]: moving.point }) };
    return wrongOn(maps.loaded, template, points, view, session.side, this.#image(view.uid))
      ?? offLimb(levelsOf(maps.loaded, template, view, session.side), points, this.limbs[view.uid] ?? null);
  }

  get proposing() {
    return Object.values(this.proposals).some(points => Object.keys(points).length > 0);
  }

  #update(change = {}) {
    Object.assign(this, change);
    this.session.update();
  }

  open() {
    const { session } = this;
    if (session.signed || !session.walking || !this.views.length) return;
    session.measuring.close();
    const open = this.views.find(({ view }) => this.#next(view.uid))?.view.uid ?? '';
    const { view, ids } = this.views[0];
    session.update({ editing: '', sheet: '' });
    this.#update({ from: session.item, chosen: open ? { uid: open, id: this.#next(open) } : { uid: view.uid, id: ids[0] }, error: '' });
    this.asked = new Set(Object.keys(this.limbs)); // What was refused is asked for again.
    this.#ask(() => true);
  }

  /** On images whose landmarks are set it is known from the beginning where the limb lies, so that one beside it is said. */
  look() {
    const { session } = this;
    const set = session.reading.landmarks ?? {};
    if (!session.signed && session.walking && Object.keys(set).some(uid => !this.asked.has(uid))) this.#ask(view => Boolean(set[view.uid]));
  }

  /** A few at a time: forty images must not keep the node from its other work. */
  #ask(/** @type {(view: import('./types.js').View) => boolean} */ wanted) {
    const { earlier } = withBeside(this.session);
    const waiting = this.views.map(one => one.view).filter(one => !earlier.has(one.uid) && !this.asked.has(one.uid) && wanted(one));
    for (const view of waiting) this.asked.add(view.uid);
    for (let i = 0; i < AT_ONCE; i++) this.#findAll(waiting);
  }

  async #findAll(waiting) {
    for (let view = waiting.shift(); view; view = waiting.shift()) {
      if (this.active || this.session.reading.landmarks?.[view.uid]) await this.#find(view);
      else this.asked.delete(view.uid);
    }
  }

  /** Ask the node where the limb lies on a view. */
  async #find(view) {
    const { session } = this;
    try {
      const found = await session.api.measure(session.study, { kind: 'limb_axis', name: '', image_uid: view.uid, points: [], species: '', control_uid: '', control_points: [] });
      if (found.refusal) return this.#refused(view, found.refusal);
      this.#update({ limbs: { ...this.limbs, [view.uid]: LimbOutline.of(found) } });
    } catch (error) {
      this.#refused(view, error.message);
    }
  }

  #refused(view, why) {
    this.#update({ refusals: { ...this.refusals, [view.uid]: why } });
  }

  close() {
    this.#update({ from: '', moving: null, error: '' });
  }

  /** A landmark into the reading; moved by keys many times in a row is one change. */
  put(uid, id, point, field = '') {
    const { session } = this;
    this.moving = null;
    this.error = '';
    session.commit(this.#with({ [uid]: { ...this.set[uid], [id]: point } }), '', field);
    this.session.update();
  }

  /** The reading with the landmarks of these images: of today's among its own, of earlier ones beside them. */
  #with(/** @type {Record<string, Record<string, Point>>} */ changed) {
    const { reading } = this.session;
    const { earlier } = withBeside(this.session);
    const of = wanted => Object.fromEntries(Object.entries(changed).filter(([uid]) => earlier.has(uid) === wanted));
    return { ...reading, landmarks: { ...reading.landmarks, ...of(false) }, prior_landmarks: { ...reading.prior_landmarks, ...of(true) } };
  }

  /** Whether the next click on an image is a landmark. */
  get picking() {
    return this.active && Boolean(this.#next(this.chosen.uid));
  }

  /** The first level, then the last: between them the others are proposed. */
  #next(uid) {
    const view = this.views.find(one => one.view.uid === uid)?.view;
    const levels = view ? levelsOf(maps.loaded, this.template, view, this.session.side) : [];
    const order = [levels[0], levels[levels.length - 1], ...levels].flatMap(level => level?.ids ?? []);
    return order.find(id => !this.point(uid, id)) ?? '';
  }

  /** A click on an image: the chosen landmark of that view, or the first that is missing there. */
  place({ uid, point }) {
    if (!this.active) return;
    const chosen = this.chosen.uid === uid && !this.point(uid, this.chosen.id);
    const id = chosen ? this.chosen.id : this.#next(uid);
    if (!id) return this.#update({ error: strings.tour.allSet });
    this.put(uid, id, point);
    const other = this.#next(uid) ? uid : this.views.map(({ view }) => view.uid).find(one => this.#next(one));
    this.#update({ chosen: other ? { uid: other, id: this.#next(other) } : { uid, id } });
  }

  choose(uid, id) {
    if (this.chosen.uid !== uid || this.chosen.id !== id) this.#update({ chosen: { uid, id }, error: '' });
  }

  fail(error) {
    this.#update({ error });
  }

  handle({ type, id: name, point }) {
    const [uid, id] = name.split('|');
    const { pressed } = this;
    this.pressed = type === 'chosen';
    if (type === 'chosen') return this.choose(uid, id);
    if (type === 'moving') return this.#update({ moving: { uid, id, point } });
    if (pressed) return; // A press without a move leaves a proposal a proposal.
    this.put(uid, id, point, `landmark ${name}`);
  }

  /** All that is proposed is right as it stands now. */
  accept() {
    const { session } = this;
    const taken = Object.entries(this.proposals).filter(([, points]) => Object.keys(points).length > 0);
    const landmarks = Object.fromEntries(taken.map(([uid, points]) => [uid, { ...points, ...this.set[uid] }]));
    if (this.proposing) session.commit(this.#with(landmarks), strings.tour.taken);
    this.close();
  }

  /** Without landmarks the images stay whole. */
  remove() {
    const { session } = this;
    session.commit({ ...session.reading, landmarks: {}, prior_landmarks: {} }, strings.tour.removed);
    this.close();
  }

  /** @returns {import('../host/layer.js').Layer} */
  layer() {
    const names = new Map(this.session.template.items.map(item => [item.id, item.name]));
    const handles = this.views.flatMap(({ view, ids }) => ids.flatMap((id, i) => {
      const point = this.point(view.uid, id);
      const label = `${i + 1}${this.isProposed(view.uid, id) ? '?' : ''}`;
      const chosen = this.chosen.uid === view.uid && this.chosen.id === id;
      return point ? [{ uid: view.uid, id: `${view.uid}|${id}`, name: names.get(id) ?? id, label, point, chosen }] : [];
    }));
    const shapes = this.views.flatMap(({ view }) => {
      const levels = levelsOf(maps.loaded, this.template, view, this.session.side).map(level => level.ids.map(id => this.point(view.uid, id)));
      const middles = levels.filter(points => points.every(Boolean)).map(points => mean(/** @type {Point[]} */ (points)));
      return middles.length > 1 ? [{ uid: view.uid, kind: /** @type {const} */ ('line'), name: 'limb axis', points: middles, tone: /** @type {const} */ ('kept') }] : [];
    });
    return { shapes, labels: [], handles };
  }
}
