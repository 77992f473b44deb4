// @ts-check
/**
 * One computed measurement from choosing it to accepting it. Knows the session, not the page.
 *
 *   closed ──open──▶ choosing ──choose──▶ placing ──last point──▶ working ──answer──▶ shown
 *                        ▲                   ▲  └───────moved────────┘  ▲              │
 *                        └──back─────────────┴────────── moved ─────────┘◀── moved ────┤
 *   closed ◀── accept: into the reading · discard: nothing is kept ────────────────────┘
 */

import { scaleOf, worded } from './measure_offers.js';
import { headline } from './numbers.js';
import { askedViews, dropMeasurement, freshId, putMeasurement } from './reading.js';
import { openViews } from './walk.js';

/** @typedef {[number, number]} Point */
/** @typedef {import('./measure_offers.js').Offer} Offer */
/** @typedef {import('./measure_offers.js').Second} Second */
/** @typedef {{id: string, name: string, where: string, role: 'own'|'control'|'before', view: string}} Mark */

const NUDGE_MS = 350;
const NOTHING = {
  offer: null, view: '', points: [], chosen: 0, control: '', earlier: null, before: [], trueMm: 0, result: null, error: '', id: '', fresh: '', stage: 'closed',
};

export class Measuring {
  /** @param {import('./session.js').Session} session */
  constructor(session) {
    this.session = session;
    /** @type {Offer[] | null} */
    this.offers = null;
    /** Published, but not measured here, and why. @type {{name: string, title: string, why: string}[]} */
    this.without = [];
    this.offersError = '';
    this.item = '';
    this.finding = '';
    /** @type {Offer | null} */ this.offer = null;
    this.view = '';
    /** @type {(Point | null)[]} */ this.points = [];
    this.chosen = 0;
    /** @type {string} image of the other limb, of before, or across; "" is none */ this.control = '';
    /** @type {Second | null} the earlier image on which the same is being measured */ this.earlier = null;
    /** @type {{study_uid: string, view: string, points: Point[]}[]} where it was */ this.before = [];
    /** Of a ball or ruler, mm; 0: not said yet. */
    this.trueMm = 0;
    /** @type {any} */ this.result = null;
    this.error = '';
    this.id = '';
    this.fresh = '';
    /** @type {'closed'|'choosing'|'placing'|'working'|'shown'} */ this.stage = 'closed';
    this.round = 0;
    /** @type {any} */
    this.timer = null;
  }

  get active() {
    return this.stage !== 'closed';
  }

  /** Whether the next click on an image is a point of this measurement. */
  get picking() {
    return ['placing', 'working', 'shown'].includes(this.stage) && this.points.some(point => !point);
  }

  /** The landmarks in the order of the points: on the image itself, on the second one, on an earlier one. */
  get landmarks() {
    const own = this.offer?.landmarks ?? [];
    const on = (role, view) => own.map(mark => ({ ...mark, id: role === 'own' ? mark.id : `${role} ${mark.id}`, role, view }));
    return /** @type {Mark[]} */ ([...on('own', this.view), ...(this.control ? on('control', this.control) : []), ...(this.earlier ? on('before', this.earlier.view) : [])]);
  }

  /** The points on one of the images, those that are missing left out. @param {Mark['role']} role @returns {Point[]} */
  pointsOf(role) {
    const { landmarks } = this;
    return /** @type {Point[]} */ (this.points.filter((point, i) => point && landmarks[i]?.role === role));
  }

  /** Whether so many points can be measured: those that are needed, or all. */
  #enough(count, needed = this.offer?.needed ?? 0) {
    return count === needed || count === this.offer?.landmarks.length;
  }

  /** Whether nothing more has to be said before the node is asked. */
  get ready() {
    const { offer } = this;
    if (!offer || !this.#enough(this.pointsOf('own').length)) return false;
    if (offer.sized && !(this.trueMm >= 2 && this.trueMm <= 1000)) return false;
    if (!this.control) return true;
    return this.#enough(this.pointsOf('control').length, offer.second === 'control' ? 0 : offer.landmarks.length);
  }

  viewOf(index) {
    return this.landmarks[index]?.view ?? this.view;
  }

  #set(change) {
    Object.assign(this, change);
    this.session.update();
  }

  /** Show what can be measured of the structure. */
  async open(item = this.session.item, finding = this.session.editing) {
    if (this.session.signed || !item) return;
    this.item = item;
    this.finding = finding;
    this.#set({ ...NOTHING, stage: 'choosing', view: this.#bestView() });
    await this.load();
  }

  /** The open view that shows the structure best; where the reader went, or the finding is, before that. */
  #bestView() {
    const { template, reading, view } = this.session;
    const item = template.items.find(one => one.id === this.item);
    if (!item || this.finding) return view;
    const open = openViews(template, reading, item);
    const pool = open.length ? open : askedViews(template, item);
    if (view !== pool[0]?.uid) return view;
    return pool.find(one => item.visibility[one.uid] === 'well')?.uid ?? view;
  }

  async load() {
    const { api, study } = this.session;
    try {
      if (!this.offers) {
        const { offers, not_offered: without = [] } = await api.measurable(study);
        this.without = without;
        this.offers = offers.map(worded);
      }
      this.#set({ offersError: '' });
    } catch (error) {
      this.#set({ offersError: error.message });
    }
  }

  /** @param {Offer} offer @param {string} view */
  choose(offer, view = this.view) {
    this.round += 1;
    this.#set({ ...NOTHING, stage: 'placing', offer, view, points: offer.landmarks.map(() => null) });
  }

  /** Take an accepted measurement up again, to adjust it. */
  async adjust(measurement) {
    this.item = measurement.item;
    this.finding = measurement.finding;
    const { computed } = measurement;
    this.#set({ ...NOTHING, stage: 'choosing', view: measurement.view });
    await this.load();
    const offer = (this.offers ?? []).find(one => one.kind === computed.kind && one.name === computed.name);
    if (!offer || this.stage !== 'choosing') return;
    const padded = points => offer.landmarks.map((_, i) => points[i] ?? null);
    const control = computed.control_view;
    const points = [...padded(measurement.points), ...(control ? padded(computed.control_points) : [])];
    const { true_mm: trueMm = 0, before = [] } = computed;
    this.#set({ offer, points, control, trueMm, before, id: measurement.id, stage: 'placing' });
    this.measure();
  }

  /** Compare with another image, or take the view across along; "" is none. */
  compare(view) {
    this.#follow('control', { control: view }, view ? [] : null);
    if (this.ready) this.measure();
  }

  /** The same on an image of before; what was set there once is there again. @param {Second | null} earlier */
  measureBefore(earlier) {
    this.#follow('before', { earlier }, earlier ? this.before.find(one => one.view === earlier.view)?.points ?? [] : null);
    if (earlier && this.offer?.needed === 0) this.#keepBefore();
  }

  takeOutBefore(view) {
    if (this.earlier?.view === view) this.measureBefore(null);
    this.#set({ before: this.before.filter(one => one.view !== view) });
  }

  /** Other images come along or go: their points with them. @param {Mark['role']} role @param {any} change @param {Point[] | null} points */
  #follow(role, change, points) {
    const { landmarks } = this;
    const known = Object.fromEntries(landmarks.map((mark, i) => [mark.id, this.points[i]]));
    Object.assign(this, change);
    const count = {};
    const next = this.landmarks.map(mark => {
      const at = (count[mark.role] = (count[mark.role] ?? -1) + 1);
      return mark.role === role ? points?.[at] ?? null : known[mark.id] ?? null;
    });
    const missing = this.landmarks.findIndex((mark, i) => mark.role === role && !next[i]);
    this.#set({ points: next, chosen: Math.max(0, missing), error: '' });
  }

  #keepBefore() {
    const { earlier } = this;
    const points = this.pointsOf('before');
    if (!earlier || !this.#enough(points.length)) return;
    this.#set({ before: [...this.before.filter(one => one.view !== earlier.view), { study_uid: earlier.study, view: earlier.view, points }] });
  }

  /** The true size of what is marked. */
  size(/** @type {number} */ trueMm) {
    this.#set({ trueMm });
    if (this.ready) this.measure();
  }

  /** A click on an image: the first point that is missing there. */
  place({ uid, point }) {
    if (!this.picking) return;
    // The first point decides which image is measured.
    if (!this.control && !this.earlier && this.points.every(one => !one)) this.view = uid;
    const fits = i => !this.points[i] && this.viewOf(i) === uid;
    const index = fits(this.chosen) ? this.chosen : this.points.findIndex((_, i) => fits(i));
    if (index < 0) return this.#set({ error: 'elsewhere' });
    this.move(index, point, true);
  }

  /**
   * @param {number} index
   * @param {Point} point
   * @param {boolean} done false while it is still being dragged
   */
  move(index, point, done) {
    const points = this.points.map((one, i) => (i === index ? point : one));
    const missing = points.findIndex(one => !one);
    const chosen = done && missing >= 0 ? missing : index;
    this.#set({ points, chosen, error: '' });
    if (done) this.#moved(this.landmarks[index].role);
  }

  #moved(role) {
    if (role === 'before') this.#keepBefore();
    else if (this.ready) this.measure();
  }

  /** The point that the next click or key is about. */
  choosePoint(index) {
    if (this.chosen !== index) this.#set({ chosen: index });
  }

  fail(error) {
    this.#set({ error });
  }

  /** Moved by keys: many small steps in a row are one move. */
  moveSoon(index, point) {
    this.move(index, point, false);
    clearTimeout(this.timer);
    const { role } = this.landmarks[index];
    this.timer = setTimeout(() => this.active && this.#moved(role), NUDGE_MS);
  }

  handle({ type, id, point }) {
    const index = this.landmarks.findIndex(mark => mark.id === id);
    if (index < 0 || !this.active) return;
    if (type === 'chosen') this.#set({ chosen: index });
    else this.move(index, point, type === 'moved');
  }

  get request() {
    const { offer } = this;
    const scaling = offer?.kind === 'ball' || offer?.kind === 'ruler';
    return {
      kind: offer?.kind, name: offer?.name ?? '', image_uid: this.view, points: this.pointsOf('own'),
      control_uid: this.control, control_points: this.pointsOf('control'), true_mm: this.trueMm,
      scale: scaling ? null : scaleOf(this.session.reading, this.view, this.id),
    };
  }

  /** Ask the node; the answer to the newest points counts. */
  async measure() {
    if (!this.ready) return;
    clearTimeout(this.timer);
    const round = (this.round += 1);
    this.#set({ stage: 'working', error: '' });
    try {
      const result = await this.session.api.measure(this.session.study, this.request);
      if (round === this.round) this.#set({ result, stage: 'shown' });
    } catch (error) {
      if (round === this.round) this.#set({ error: error.message, result: null, stage: 'placing' });
    }
  }

  get acceptable() {
    return this.stage === 'shown' && Boolean(this.result && !this.result.refusal && this.result.numbers.length);
  }

  /** Into the reading, to the finding that it was started from. */
  accept() {
    if (!this.acceptable) return;
    this.session.commit(putMeasurement(this.session.reading, this.asMeasurement()));
    this.close();
  }

  /** The answer as it stands in the reading once it is accepted. */
  asMeasurement() {
    const { session, result } = this;
    const request = /** @type {any} */ (this.request);
    const id = this.id || (this.fresh ||= freshId('c'));
    const finding = session.reading.findings.some(f => f.id === this.finding) ? this.finding : '';
    const known = session.reading.measurements.find(m => m.id === id);
    const first = result.numbers[0];
    return {
      id, item: this.item, view: request.image_uid, kind: /** @type {const} */ ('computed'), points: request.points,
      value: first.value, unit: ['mm', 'px', 'deg'].includes(first.unit) ? first.unit : '1',
      calibration: result.calibration, finding, note: known?.note ?? '',
      computed: {
        kind: request.kind, name: request.name, control_view: request.control_uid, control_points: request.control_points,
        true_mm: request.true_mm, scale: request.scale, before: this.before,
        method: result.method, version: result.version, numbers: result.numbers, word: result.word, why: result.why,
        // The node keeps shorter lines of its own; these are shown until it has answered.
        doubts: result.doubts, said: result.said, shapes: result.drawn.map(thin), curves: result.profiles.slice(0, 2).map(thinCurve),
      },
    };
  }

  /** Back one step: from the points to the list, from there out. Nothing is kept. */
  back() {
    if (this.stage === 'choosing' || this.id) return this.close();
    this.round += 1;
    this.#set({ ...NOTHING, stage: 'choosing', view: this.view });
  }

  close() {
    this.round += 1;
    this.#set({ ...NOTHING });
  }

  remove(id) {
    if (this.id === id) this.close();
    this.session.commit(dropMeasurement(this.session.reading, id));
  }

  /**
   * What lies over the images: the measurement at hand, and those accepted of the item.
   * @returns {import('../host/layer.js').Layer}
   */
  layer(numberText) {
    const { reading } = this.session;
    const kept = (reading?.measurements ?? []).filter(m => m.computed && m.item === (this.active ? this.item : this.session.item) && m.id !== this.id);
    const shapes = kept.flatMap(m => m.computed.shapes.map(shape => ({ ...shape, uid: m.view, tone: /** @type {const} */ ('kept') })));
    const labels = kept.flatMap(m => labelOf(m.view, m.computed.kind, m.computed.shapes, m.computed.numbers, m.computed.curves, 'kept', numberText));
    if (!this.offer) return { shapes, labels, handles: [] };
    const drawn = this.result?.drawn ?? [];
    shapes.push(...drawn.map(shape => ({ ...shape, uid: this.view, tone: 'now' })));
    labels.push(...labelOf(this.view, this.offer.kind, drawn, this.result?.numbers ?? [], this.result?.profiles ?? [], 'now', numberText));
    const handles = this.landmarks.flatMap((mark, i) => {
      const point = this.points[i];
      return point ? [{ uid: this.viewOf(i), id: mark.id, name: mark.name, label: String(i + 1), point, chosen: i === this.chosen }] : [];
    });
    return { shapes, labels, handles };
  }
}

/** The headline stands where it was measured: at the narrowest or thickest place, or at the last line. */
function labelOf(uid, kind, shapes, numbers, curves, tone, numberText) {
  const shape = shapes.find(one => one.name === 'minimum') ?? shapes.find(one => one.kind === 'line') ?? shapes[0];
  if (!shape || !numbers.length) return [];
  const last = shape.points.length - 1;
  let index = shape.name === 'minimum' ? 0 : Math.floor(last / 2);
  const thickest = numbers.find(number => number.id === 'thickest_at');
  const along = curves[0]?.along ?? [];
  if (thickest && along.length > 1) {
    const share = (thickest.value - along[0]) / (along[along.length - 1] - along[0]);
    index = Math.round(Math.min(1, Math.max(0, share)) * last);
  }
  const point = kind === 'swelling_profile' ? besideLimb(shapes, shape.points, index) : shape.points[index];
  return [{ uid, point, text: `${numbers[0].id === 'spacing' ? '1 px = ' : ''}${numberText(headline(kind, numbers))}`, tone }];
}

/** At the skin, so that the number lies over no bone; on the axis where no skin was drawn. */
function besideLimb(shapes, axis, index) {
  const [x, y] = axis[index];
  const [[ax, ay], [bx, by]] = [axis[Math.max(0, index - 1)], axis[Math.min(axis.length - 1, index + 1)]];
  const along = ([px, py]) => Math.abs((px - x) * (bx - ax) + (py - y) * (by - ay));
  const skin = shapes.filter(one => one.name.startsWith('skin')).flatMap(one => one.points);
  const right = skin.filter(([px]) => px >= x);
  return [...(right.length ? right : skin)].sort((a, b) => along(a) - along(b))[0] ?? axis[index];
}

const most = (list, count) => (list.length <= count ? list : Array.from({ length: count }, (_, i) => list[Math.round((i * (list.length - 1)) / (count - 1))]));

function thin(shape) {
  return { ...shape, points: most(shape.points, 90) };
}

function thinCurve(curve) {
  return { ...curve, along: most(curve.along, 120), values: most(curve.values, 120) };
}
