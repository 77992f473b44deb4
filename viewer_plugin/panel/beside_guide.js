// @ts-check
/**
 * The tour on images that lie beside today's: of an earlier study, or of the other limb. They go
 * where their own landmarks say; without any, today's are carried over as a guess that the reader
 * can put right.
 */

import { dayText } from './numbers.js';
import { fromSide, hungAxes } from './tour.js';

/** @typedef {[number, number]} Point */
/** @typedef {Record<string, Record<string, Point>>} Landmarks by image, then item */
/** @typedef {{template: import('./types.js').Template, own: Landmarks, guesses: Landmarks,
 *   earlier: Set<string>}} Wider own: set by somebody; earlier: images of an earlier study */

/** @type {WeakMap<object, {key: any[], wider: Wider}>} */
const made = new WeakMap();

/**
 * The template with the images of the earlier study that lie beside today's, and the landmarks of
 * them all.
 * @param {import('./session.js').Session} session
 * @returns {Wider}
 */
export function withBeside(session) {
  const { template, reading, plan = null } = session;
  const key = [template, reading.landmarks, reading.prior_landmarks, plan, session.beside];
  const known = made.get(session);
  if (known && known.key.every((one, i) => one === key[i])) return known.wider;
  const wider = widened(session);
  made.set(session, { key, wider });
  return wider;
}

/** @returns {Wider} */
function widened(session) {
  const { template, reading, opening } = session;
  const pairs = pairsBeside(session);
  const set = /** @type {Landmarks} */ (reading.landmarks ?? {});
  /** @type {Wider} */
  const wider = { template, own: { ...set }, guesses: {}, earlier: new Set() };
  const facts = uid => opening.facts.images.find(image => image.uid === uid) ?? {};
  const earlier = pairs.filter(pair => pair.image);
  for (const { today, uid, image, date } of earlier) {
    const view = template.views.find(one => one.uid === today);
    const own = { ...image.landmarks, ...reading.prior_landmarks?.[uid] };
    if (!view) continue;
    wider.earlier.add(uid);
    if (Object.keys(own).length) wider.own[uid] = own;
    wider.guesses[uid] = missing(carried(set[today] ?? {}, facts(today), image), own);
    wider.template = seenOn(wider.template, view, { ...view, uid, label: `${view.label}, ${dayText(date)}`, orthogonal: [] });
  }
  for (const { today, uid } of pairs.filter(pair => !pair.image)) {
    for (const [from, to] of [[today, uid], [uid, today]]) {
      const view = template.views.find(one => one.uid === from);
      if (!view || Object.keys(set[to] ?? {}).length) continue;
      wider.guesses[to] = ofOtherSide(template, to, carried(set[from] ?? {}, facts(from), facts(to), !fromSide(view)));
    }
  }
  return wider;
}

/** The pairs that are on the screen: today's image, its partner, and of an earlier one what is known. */
function pairsBeside(session) {
  const { plan, beside } = session;
  if (!plan || !beside) return [];
  const images = new Map(plan.images.map(image => [image.uid, image]));
  return plan.pairs.map(([today, uid]) => ({ today, uid, image: images.get(uid) ?? null, date: images.get(uid)?.date ?? '' }));
}

function seenOn(template, today, view) {
  const items = template.items.map(item => (today.uid in item.visibility ? { ...item, visibility: { ...item.visibility, [view.uid]: item.visibility[today.uid] } } : item));
  return { ...template, views: [...template.views, view], items };
}

const missing = (guess, own) => Object.fromEntries(Object.entries(guess).filter(([id]) => !own[id]));

/** The same structures of the other limb, as far as that image shows them. */
function ofOtherSide(template, uid, points) {
  const found = Object.entries(points).flatMap(([id, point]) => {
    const twin = twinOf(template, id, uid);
    return twin ? [[twin.id, point]] : [];
  });
  return Object.fromEntries(found);
}

/** The structure of the other limb that an image shows. */
export function twinOf(template, id, uid) {
  const item = template.items.find(one => one.id === id);
  return item && template.items.find(one => one.structure === item.structure && one.region === item.region && one.side !== item.side && uid in one.visibility);
}

/**
 * Landmarks of one image for another of the same view: as far from the middle of the field as they
 * are there, in millimetres where both images have them, else in shares of the field.
 * @param {Record<string, Point>} points
 * @param {any} from facts of the image they lie on
 * @param {any} to facts of the other image
 * @param {boolean} [mirrored] the other limb from in front
 * @returns {Record<string, Point>}
 */
export function carried(points, from, to, mirrored = false) {
  if (!from.columns || !from.rows || !to.columns || !to.rows) return {};
  const [a, b] = [hungAxes(from), hungAxes(to)];
  const ratio = scaleBetween(from, to);
  return Object.fromEntries(Object.entries(points).map(([id, [x, y]]) => {
    const [dx, dy] = [x - from.columns / 2, y - from.rows / 2];
    const right = (dx * a.right[0] + dy * a.right[1]) * ratio * (mirrored ? -1 : 1);
    const down = (dx * a.down[0] + dy * a.down[1]) * ratio;
    const at = [to.columns / 2 + right * b.right[0] + down * b.down[0], to.rows / 2 + right * b.right[1] + down * b.down[1]];
    return [id, /** @type {Point} */ (at.map((v, i) => Math.round(10 * Math.min(Math.max(v, 0), i ? to.rows : to.columns)) / 10))];
  }));
}

/** Pixels of the other image for one of this one. */
function scaleBetween(from, to) {
  const [mine, theirs] = [from, to].map(image => image.spacing?.column_mm ?? 0);
  if (mine > 0 && theirs > 0) return mine / theirs;
  const height = image => (image.rotation % 180 ? image.columns : image.rows);
  return height(to) / height(from);
}

/** Whether the tour goes only to guessed places on an image beside. */
export function placesGuessed(/** @type {import('./session.js').Session} */ session) {
  const { template, own, guesses } = withBeside(session);
  return template.views.some(({ uid }) => Object.keys(guesses[uid] ?? {}).length > 0 && !own[uid]);
}
