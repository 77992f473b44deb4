// @ts-check
/** The tour at work: every viewport goes to the structure, and stays where the reader moves it. */

import { twinOf, withBeside } from './beside_guide.js';
import { landmarksOf } from './landmarks.js';
import { maps } from './maps.js';
import { crossViews } from './reading.js';
import { strings } from './strings.js';
import { guideOf } from './tour.js';

/** Half of a ghost line, in steps of the map: a little more than a bone of the carpus is wide. */
const REACH = 24;

export class Guiding {
  constructor() {
    /** @type {Map<string, import('./tour.js').Place>} image -> where it goes */
    this.goals = new Map();
    /** Images that have been taken there. */
    this.done = new Set();
    this.zoomed = false;
    this.key = '';
  }

  /**
   * @param {import('./session.js').Session} session
   * @param {import('../host/host.js').Host} host
   * @param {import('./types.js').Item[]} items read together
   */
  follow(session, host, items) {
    const { template, own, guesses } = withBeside(session);
    const setting = landmarksOf(session).active;
    const key = `${setting} ${items.map(item => item.id)} ${JSON.stringify([own, guesses])} ${maps.loaded.length}`;
    if (key === this.key) return this.apply(host);
    this.key = key;
    this.done.clear();
    this.goals.clear();
    for (const view of setting ? [] : template.views) {
      const seen = seenOn(session, template, items, view.uid);
      const points = { [view.uid]: { ...guesses[view.uid], ...own[view.uid] } };
      const place = seen.length ? guideOf(maps.loaded, template, points, view, seen[0].side, imageOf(session, view.uid))?.place(seen) : null;
      if (place) this.goals.set(view.uid, place);
    }
    if (!this.goals.size && this.zoomed) host.whole();
    this.zoomed = this.goals.size > 0;
    this.apply(host);
  }

  /** Take those there that have come to the screen since. */
  apply(host) {
    const shown = new Set(host.images().map(image => image.uid));
    for (const uid of this.done) if (!shown.has(uid)) this.done.delete(uid);
    for (const [uid, place] of this.goals) {
      // An image that is still on its way will be told of again when it is there.
      if (shown.has(uid) && !this.done.has(uid) && host.zoomTo(uid, place) !== false) this.done.add(uid);
    }
  }

  /** An image was put on the screen anew, and stands as it was hung. */
  arrived(uid) {
    if (uid) this.done.delete(uid);
  }
}

/** Of the structures read together those that a view shows; of the other limb beside, their twins. */
function seenOn(session, template, items, uid) {
  const beside = session.beside === 'sides';
  return items.flatMap(({ id }) => {
    const item = template.items.find(one => one.id === id);
    if (item && uid in item.visibility) return [item];
    return (beside && twinOf(template, id, uid)) || [];
  });
}

/** How an image hangs, today's or an earlier one. */
function imageOf(session, uid) {
  return session.opening.facts.images.find(one => one.uid === uid) ?? session.plan?.images.find(one => one.uid === uid) ?? null;
}

/**
 * Where the level of the finding at hand lies on the views at a right angle: of its measurement,
 * where it has one, or else of the structure.
 * @param {import('./session.js').Session} session
 * @returns {import('../host/layer.js').Layer}
 */
export function ghosts(session) {
  /** @type {import('../host/layer.js').Layer} */
  const layer = { shapes: [], labels: [], handles: [] };
  const finding = session.reading.findings.find(f => f.id === session.editing);
  const item = finding && session.template.items.find(one => one.id === finding.item);
  if (!finding || !item) return layer;
  const guide = uid => {
    const view = session.template.views.find(one => one.uid === uid);
    return view ? guideOf(maps.loaded, session.template, session.reading.landmarks, view, item.side) : null;
  };
  const own = guide(finding.view);
  const drawn = session.reading.measurements.find(m => m.finding === finding.id && m.view === finding.view);
  for (const view of crossViews(session.template, item, finding.view)) {
    const other = guide(view.uid);
    const level = own && drawn ? own.level(centre(drawn.points)) : other?.levelOf([item]);
    if (!other || level === null || level === undefined) continue;
    const { at, along } = other.at(level);
    const ends = [-1, 1].map(way => /** @type {[number, number]} */ ([at[0] - way * REACH * along[1], at[1] + way * REACH * along[0]]));
    layer.shapes.push({ uid: view.uid, kind: 'line', name: 'ghost axis', points: ends, tone: 'now' });
    layer.labels.push({ uid: view.uid, point: ends[1], text: strings.tour.sameLevel, tone: 'now' });
  }
  return layer;
}

function centre(points) {
  return /** @type {[number, number]} */ ([0, 1].map(i => points.reduce((sum, point) => sum + point[i], 0) / points.length));
}
