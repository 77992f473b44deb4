// @ts-check
/** Setting the landmarks of the views, once for each. Knows the session, not the page. */

import { withBeside } from './beside_guide.js';
import { guideOf, levelsOf, proposed } from './tour.js';
import { maps } from './maps.js';
import { strings } from './strings.js';

/** @typedef {[number, number]} Point */

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
    /** By view, taken over with one press. @type {Record<string, Record<string, Point>>} */
    this.proposals = {};
    /** Why there is no proposal, by view. @type {Record<string, string>} */
    this.refusals = {};
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
    return this.views.filter(({ view }) => !earlier.has(view.uid) && view.uid in item.visibility && item.visibility[view.uid] !== 'no' && !guideOf(maps.loaded, template, this.set, view, side)).map(({ view }) => view);
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
    const [first] = this.views.flatMap(({ view, ids }) => ids.filter(id => !this.set[view.uid]?.[id]).map(id => ({ uid: view.uid, id })));
    const { view, ids } = this.views[0];
    session.update({ editing: '', sheet: '' });
    this.#update({ from: session.item, chosen: first ?? { uid: view.uid, id: ids[0] }, error: '' });
    const { earlier, guesses } = withBeside(session);
    for (const { view, ids } of this.views) {
      if (earlier.has(view.uid)) this.#guess(view.uid, ids, guesses[view.uid] ?? {});
      else if (ids.every(id => !this.set[view.uid]?.[id])) this.#propose(view);
    }
  }

  /** What is carried over from today's image is a proposal like any other. */
  #guess(uid, ids, points) {
    const open = Object.fromEntries(Object.entries(points).filter(([id]) => ids.includes(id)));
    this.#update({ proposals: { ...this.proposals, [uid]: open } });
  }

  /** Ask the node for the axis of the limb on a view. */
  async #propose(view) {
    const { session } = this;
    if (this.proposals[view.uid]) return;
    const image = session.opening.facts.images.find(one => one.uid === view.uid);
    try {
      const found = await session.api.measure(session.study, { kind: 'limb_axis', name: '', image_uid: view.uid, points: [], species: '', control_uid: '', control_points: [] });
      if (found.refusal) return this.#refused(view, found.refusal);
      const points = proposed(maps.loaded, session.template, view, session.side, found.drawn[0].points, image);
      this.#update({ proposals: { ...this.proposals, [view.uid]: points } });
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
    const { [id]: _, ...rest } = this.proposals[uid] ?? {};
    this.proposals = { ...this.proposals, [uid]: rest };
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

  #next(uid) {
    const ids = this.views.find(({ view }) => view.uid === uid)?.ids ?? [];
    return ids.find(id => !this.point(uid, id)) ?? '';
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
    this.proposals = {};
    this.close();
  }

  /** Without landmarks the images stay whole. */
  remove() {
    const { session } = this;
    this.proposals = {};
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
      const middles = levels.filter(points => points.every(Boolean)).map(points => /** @type {Point} */ ([0, 1].map(k => points.reduce((sum, p) => sum + /** @type {Point} */ (p)[k], 0) / points.length)));
      return middles.length > 1 ? [{ uid: view.uid, kind: /** @type {const} */ ('line'), name: 'limb axis', points: middles, tone: /** @type {const} */ ('kept') }] : [];
    });
    return { shapes, labels: [], handles };
  }
}
