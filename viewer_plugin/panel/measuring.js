// @ts-check
/**
 * One computed measurement from choosing it to accepting it. Knows the session, not the page.
 *
 *   closed ──open──▶ choosing ──choose──▶ placing ──last point──▶ working ──answer──▶ shown
 *                        ▲                   ▲  └───────moved────────┘  ▲              │
 *                        └──back─────────────┴────────── moved ─────────┘◀── moved ────┤
 *   closed ◀── accept: into the reading · discard: nothing is kept ────────────────────┘
 */

import { dropMeasurement, freshId, putMeasurement } from './reading.js';

/** @typedef {[number, number]} Point */
/** @typedef {{kind: string, name: string, title: string, view: string, optional: boolean,
 *   landmarks: {id: string, name: string}[], guidance: string, traps: string, here: boolean,
 *   construction: any, published: any[]}} Offer */

const NUDGE_MS = 350;
const NOTHING = { offer: null, view: '', points: [], chosen: 0, control: null, result: null, error: '', id: '', fresh: '', stage: 'closed' };

export class Measuring {
  /** @param {import('./session.js').Session} session */
  constructor(session) {
    this.session = session;
    /** @type {Offer[] | null} */
    this.offers = null;
    this.offersError = '';
    this.item = '';
    this.finding = '';
    /** @type {Offer | null} */ this.offer = null;
    this.view = '';
    /** @type {(Point | null)[]} */ this.points = [];
    this.chosen = 0;
    /** @type {{view: string, points: Point[]} | null} */ this.control = null;
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

  get complete() {
    return this.points.every(Boolean);
  }

  /** The landmarks in the order of the points: those of the offer, then the control's. */
  get landmarks() {
    const own = this.offer?.landmarks ?? [];
    return this.control ? [...own, ...own.map(mark => ({ id: `control_${mark.id}`, name: mark.name, control: true }))] : own;
  }

  viewOf(index) {
    return index < (this.offer?.landmarks.length ?? 0) || !this.control ? this.view : this.control.view;
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
    this.#set({ ...NOTHING, stage: 'choosing', view: this.session.view });
    await this.load();
  }

  async load() {
    const { api, study } = this.session;
    try {
      this.offers ??= (await api.measurable(study)).offers;
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
    const control = computed.control_view ? { view: computed.control_view, points: computed.control_points } : null;
    const own = offer.landmarks.map((_, i) => measurement.points[i] ?? null);
    const points = [...own, ...(control ? offer.landmarks.map((_, i) => control.points[i] ?? null) : [])];
    this.#set({ offer, points, control, id: measurement.id, stage: 'placing' });
    this.measure();
  }

  /** Compare with another image of the study; "" is none. */
  compare(view) {
    const own = this.points.slice(0, this.offer?.landmarks.length ?? 0);
    const control = view ? { view, points: [] } : null;
    const points = control ? [...own, ...own.map(() => null)] : own;
    this.#set({ control, points, chosen: Math.max(0, points.findIndex(point => !point)) });
    if (this.complete) this.measure();
  }

  /** A click on an image: the first point that is missing there. */
  place({ uid, point }) {
    if (!this.picking) return;
    const first = this.points.findIndex(one => !one);
    const index = this.points[this.chosen] ? first : this.chosen;
    // The first point decides which image is measured.
    if (this.points.every(one => !one)) this.view = uid;
    if (this.viewOf(index) !== uid) return this.#set({ error: 'elsewhere' });
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
    if (done && this.complete) this.measure();
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
    this.timer = setTimeout(() => this.active && this.complete && this.measure(), NUDGE_MS);
  }

  handle({ type, id, point }) {
    const index = this.landmarks.findIndex(mark => mark.id === id);
    if (index < 0 || !this.active) return;
    if (type === 'chosen') this.#set({ chosen: index });
    else this.move(index, point, type === 'moved');
  }

  get request() {
    const { offer } = this;
    const own = this.points.slice(0, offer?.landmarks.length ?? 0).filter(Boolean);
    const others = this.points.slice(offer?.landmarks.length ?? 0).filter(Boolean);
    return {
      kind: offer?.kind, name: offer?.name ?? '', image_uid: this.view, points: own,
      species: offer?.kind === 'limb_measurement' ? this.session.opening.facts.signalment.species ?? '' : '',
      control_uid: this.control?.view ?? '', control_points: others,
    };
  }

  /** Ask the node; the answer to the newest points counts. */
  async measure() {
    if (!this.offer || (!this.complete && !this.offer.optional)) return;
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
        method: result.method, version: result.version, numbers: result.numbers, word: result.word, why: result.why,
        // The node keeps shorter lines of its own; these are shown until it has answered.
        doubts: result.doubts, shapes: result.drawn.map(thin), curves: result.profiles.slice(0, 2).map(thinCurve),
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
    const labels = kept.flatMap(m => labelOf(m.view, m.computed.shapes, m.computed.numbers, m.computed.curves, 'kept', numberText));
    if (!this.offer) return { shapes, labels, handles: [] };
    const drawn = this.result?.drawn ?? [];
    shapes.push(...drawn.map(shape => ({ ...shape, uid: this.view, tone: 'now' })));
    labels.push(...labelOf(this.view, drawn, this.result?.numbers ?? [], this.result?.profiles ?? [], 'now', numberText));
    const handles = this.landmarks.flatMap((mark, i) => {
      const point = this.points[i];
      return point ? [{ uid: this.viewOf(i), id: mark.id, name: mark.name, label: String(i + 1), point, chosen: i === this.chosen }] : [];
    });
    return { shapes, labels, handles };
  }
}

/** The headline stands where it was measured: at the narrowest or thickest place, or at the last line. */
function labelOf(uid, shapes, numbers, curves, tone, numberText) {
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
  return [{ uid, point: shape.points[index], text: numberText(numbers[0]), tone }];
}

const most = (list, count) => (list.length <= count ? list : Array.from({ length: count }, (_, i) => list[Math.round((i * (list.length - 1)) / (count - 1))]));

function thin(shape) {
  return { ...shape, points: most(shape.points, 90) };
}

function thinCurve(curve) {
  return { ...curve, along: most(curve.along, 120), values: most(curve.values, 120) };
}
