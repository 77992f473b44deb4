// @ts-check
/** Setting landmarks, in place of the structure's card; and the line that says they are missing. */

import { h } from './dom.js';
import { keyOf } from './keys.js';
import { landmarksOf } from './landmarks.js';
import { shortLabel, someOf } from './map_state.js';
import { strings } from './strings.js';

/** Of what is missing or wrong on many images only the first are named. */
const SOME = 3;
const ARROWS = { ArrowLeft: [-1, 0], ArrowRight: [1, 0], ArrowUp: [0, -1], ArrowDown: [0, 1] };

/** One sentence where the tour cannot go, with the way to change that. */
export function tourLine({ session }) {
  const landmarks = landmarksOf(session);
  const item = session.currentItem;
  if (!item || session.signed || !['bone', 'cartilage'].includes(item.section)) return null;
  const missing = landmarks.missing(item);
  const wrong = landmarks.views.filter(({ view }) => view.uid in item.visibility).map(({ view }) => wrongLine(landmarks, view)).filter(Boolean);
  const any = Object.keys(landmarks.set).length > 0;
  if (!missing.length && !any) return null;
  return h('p', { key: 'tour', class: 'tour-line dim small' },
    missing.length > 0 && h('span', { key: 'why' }, strings.tour.missing(someOf(missing.map(shortLabel))), ' '),
    wrong.slice(0, SOME),
    h('button', { key: 'set', class: 'link', 'data-tour': true, onclick: () => landmarks.open() },
      missing.length && !wrong.length ? strings.tour.set : strings.tour.change, ' ', h('kbd', null, keyOf('landmarks'))));
}

/** What cannot be right, or is odd, about the landmarks of a view. */
function wrongLine(landmarks, view) {
  const wrong = landmarks.wrong(view);
  if (!wrong) return null;
  const [a, b] = wrong.ids.map(id => landmarks.template.items.find(item => item.id === id)?.name ?? id);
  return h('span', { key: `wrong ${view.uid}`, class: 'wrong', role: 'status' }, h('span', { 'aria-hidden': 'true' }, '▲ '), `${strings.tour.wrong[wrong.kind](shortLabel(view), a, b)} `);
}

/** @param {any} ctx */
export function landmarkSheet(ctx) {
  const { session } = ctx;
  const landmarks = landmarksOf(session);
  const any = Object.keys(landmarks.set).length > 0;
  return h('section', { key: 'landmarks', class: 'card editor measuring', 'aria-label': strings.tour.title, 'data-landmarks': true, tabindex: '-1' },
    h('div', { class: 'title' }, h('h2', null, strings.tour.title),
      h('button', { class: 'btn', onclick: () => landmarks.close() }, strings.tour.close, h('kbd', null, 'esc'))),
    h('p', { class: 'small' }, strings.tour.hint),
    landmarks.views.map(one => viewMarks(ctx, landmarks, one)),
    landmarks.error && h('p', { key: 'error', class: 'bad', role: 'alert' }, landmarks.error),
    h('div', { key: 'buttons', class: 'buttons act' },
      h('button', { class: 'btn primary wide', onclick: () => landmarks.accept() }, landmarks.proposing ? strings.tour.accept : strings.tour.done, h('kbd', null, 'y')),
      any && h('button', { class: 'btn', onclick: () => landmarks.remove() }, strings.tour.remove)));
}

function viewMarks(ctx, landmarks, { view, ids }) {
  const names = new Map(ctx.session.template.items.map(item => [item.id, item.name]));
  const refused = landmarks.refusals[view.uid];
  const none = ids.every(id => !landmarks.point(view.uid, id));
  return h('div', { key: view.uid, class: 'tour-view' },
    h('h3', null, shortLabel(view)),
    wrongLine(landmarks, view),
    refused && none && h('p', { key: 'refused', class: 'dim small' }, strings.tour.noProposal(refused)),
    h('ol', { class: 'marks', 'aria-label': view.label }, ids.map((id, i) => mark(ctx, landmarks, view, id, i, names.get(id)))));
}

function mark(ctx, landmarks, view, id, index, name) {
  const point = landmarks.point(view.uid, id);
  const chosen = landmarks.chosen.uid === view.uid && landmarks.chosen.id === id;
  const state = landmarks.isProposed(view.uid, id) ? strings.tour.proposed : point ? strings.tour.isSet : chosen ? strings.measuring.clickNow : strings.measuring.notSet;
  return h('li', { key: id },
    h('button', {
      class: chosen ? 'landmark chosen' : 'landmark', 'aria-pressed': String(chosen), 'data-landmark': `${view.uid}|${id}`,
      'aria-label': strings.measuring.landmark(index + 1, `${name} · ${view.label}`, state, Boolean(point)),
      onfocus: () => landmarks.choose(view.uid, id),
      onclick: () => chooseOrPlace(ctx, landmarks, view.uid, id),
      onkeydown: event => nudge(ctx, landmarks, view.uid, id, event),
    }, h('span', { class: 'number-mark', 'aria-hidden': 'true' }, String(index + 1)),
    h('span', { class: 'sentence' }, name), h('span', { class: 'dim small state' }, state)));
}

/** Without a mouse a landmark begins in the middle of what is seen; the arrow keys do the rest. */
function chooseOrPlace({ host }, landmarks, uid, id) {
  landmarks.choose(uid, id);
  if (landmarks.point(uid, id)) return;
  const middle = host.middle(uid);
  if (!middle) return landmarks.fail(strings.measuring.hidden);
  landmarks.put(uid, id, middle);
}

function nudge({ host }, landmarks, uid, id, event) {
  const step = ARROWS[event.key];
  const point = landmarks.point(uid, id);
  if (!step || !point) return;
  event.preventDefault();
  event.stopPropagation();
  const size = event.shiftKey ? 20 : 2;
  landmarks.put(uid, id, host.nudged(uid, point, step[0] * size, step[1] * size), `landmark ${uid}|${id}`);
}
