// @ts-check
/** Computing a measurement, in place of the structure's card: choose, set points, look, accept. */

import { h } from './dom.js';
import { keyOf } from './keys.js';
import { landmarkDrawing } from './landmark_drawing.js';
import { results } from './measure_result.js';
import { shortLabel } from './map_state.js';
import { strings } from './strings.js';

const text = strings.measuring;
const ARROWS = { ArrowLeft: [-1, 0], ArrowRight: [1, 0], ArrowUp: [0, -1], ArrowDown: [0, 1] };

/** @param {any} ctx what is drawn, in place of the structure's card */
export function measureSheet(ctx) {
  const { session } = ctx;
  const { measuring } = session;
  const item = session.template.items.find(one => one.id === measuring.item);
  const body = measuring.stage === 'choosing' ? choices(ctx) : atWork(ctx);
  const title = measuring.offer?.title ?? text.title;
  return h('section', { key: `measure ${measuring.item}`, class: 'card editor measuring', 'aria-label': `${text.title}, ${item?.name ?? ''}`, 'data-measure': true, tabindex: '-1' },
    h('div', { class: 'title' }, h('h2', null, title),
      h('button', { class: 'btn', onclick: () => measuring.back() }, measuring.offer && !measuring.id ? text.back : text.cancel, h('kbd', null, 'esc'))),
    h('p', { class: 'code' }, item?.name ?? ''),
    body);
}

function choices({ session }) {
  const { measuring } = session;
  if (measuring.offersError) {
    return h('div', { key: 'failed', role: 'alert' }, h('p', { class: 'bad' }, measuring.offersError),
      h('button', { class: 'btn', onclick: () => measuring.load() }, strings.retry));
  }
  if (!measuring.offers) return h('p', { key: 'wait', role: 'status' }, text.loading);
  const here = measuring.offers.filter(offer => offer.here);
  const elsewhere = measuring.offers.filter(offer => !offer.here);
  const button = offer => h('li', { key: `${offer.kind} ${offer.name}` },
    h('button', { class: 'offer', onclick: () => measuring.choose(offer) },
      h('span', { class: 'sentence' }, offer.title), h('span', { class: 'dim small' }, offerNote(offer))));
  return h('div', { key: 'choices', class: 'offers' },
    h('ul', { 'data-first-offer': true }, here.map(button)),
    elsewhere.length > 0 && h('details', null, h('summary', null, text.elsewhere(elsewhere.length)), h('ul', null, elsewhere.map(button))));
}

function offerNote(offer) {
  const points = text.points(offer.landmarks.length, offer.optional);
  return [offer.name && offer.kind === 'limb_measurement' ? offer.name.replaceAll('_', ' ') : '', offer.view, points].filter(Boolean).join(' · ');
}

function atWork(ctx) {
  const { measuring } = ctx.session;
  const { offer } = measuring;
  return h('div', { key: 'work', class: 'work' },
    h('p', { key: 'guide', class: 'small' }, offer.guidance),
    offer.construction && landmarkDrawing(offer, measuring.chosen),
    h('h3', { key: 'h' }, text.landmarks),
    h('ol', { key: 'marks', class: 'marks' }, measuring.landmarks.map((mark, i) => landmark(ctx, mark, i))),
    compare(ctx),
    status(ctx),
    results(ctx),
    h('div', { key: 'buttons', class: 'buttons act' },
      h('button', { class: 'btn primary wide', 'data-accept': true, disabled: !measuring.acceptable, onclick: () => measuring.accept() },
        measuring.id ? text.acceptChange : text.accept, h('kbd', null, keyOf('takeOver'))),
      h('button', { class: 'btn', onclick: () => measuring.close() }, text.discard)));
}

/** One point: what it is, where it is; with the focus on it the arrow keys move it. */
function landmark(ctx, mark, index) {
  const { session, host } = ctx;
  const { measuring } = session;
  const point = measuring.points[index];
  const chosen = measuring.chosen === index;
  const where = point ? text.at(point) : text.notSet;
  const view = measuring.control ? ` · ${viewLabel(session, measuring.viewOf(index))}` : '';
  return h('li', { key: mark.id },
    h('button', {
      class: chosen ? 'landmark chosen' : 'landmark', 'aria-pressed': String(chosen), 'data-landmark': String(index),
      'aria-label': text.landmark(index + 1, mark.name + view, where, Boolean(point)),
      onfocus: () => measuring.choosePoint(index),
      onclick: () => chooseOrPlace(ctx, index),
      onkeydown: event => nudge(ctx, index, event),
    }, h('span', { class: 'number-mark', 'aria-hidden': 'true' }, String(index + 1)),
    h('span', { class: 'sentence' }, mark.name, view),
    h('span', { class: 'dim small' }, point ? where : chosen ? text.clickNow : text.notSet)));
}

function chooseOrPlace({ session, host }, index) {
  const { measuring } = session;
  measuring.choosePoint(index);
  if (measuring.points[index]) return;
  // Without a mouse: the point begins in the middle of what is seen, the arrow keys do the rest.
  const middle = host.middle(measuring.viewOf(index));
  if (!middle) return measuring.fail('hidden');
  const spread = measuring.points.filter(Boolean).length * 40;
  measuring.move(index, [middle[0] + spread, middle[1]], true);
}

function nudge({ session, host }, index, event) {
  const step = ARROWS[event.key];
  const { measuring } = session;
  const point = measuring.points[index];
  if (!step || !point) return;
  event.preventDefault();
  event.stopPropagation();
  const size = event.shiftKey ? 10 : 1;
  const moved = host.nudged(measuring.viewOf(index), point, step[0] * size, step[1] * size);
  measuring.moveSoon(index, moved);
}

function viewLabel(session, uid) {
  const view = session.template.views.find(one => one.uid === uid);
  return view ? `${view.side && view.side !== 'U' ? `${view.side} ` : ''}${shortLabel(view)}` : '';
}

/** A swelling is judged against the other limb: the same view of the other side. */
function compare({ session }) {
  const { measuring } = session;
  if (measuring.offer.kind !== 'swelling_profile') return null;
  const others = session.template.views.filter(view => view.uid !== measuring.view);
  if (!others.length) return null;
  return h('label', { key: 'control', class: 'label' }, text.control,
    h('select', { onchange: event => measuring.compare(event.target.value) },
      h('option', { value: '', selected: !measuring.control }, text.noControl),
      others.map(view => h('option', { key: view.uid, value: view.uid, selected: measuring.control?.view === view.uid }, viewLabel(session, view.uid)))));
}

function status({ session }) {
  const { measuring } = session;
  const { offer, stage } = measuring;
  const said = measuring.error === 'elsewhere' ? text.elsewhereClicked(viewLabel(session, measuring.viewOf(measuring.chosen)))
    : measuring.error === 'hidden' ? text.hidden : measuring.error;
  return h('div', { key: 'status' },
    h('div', { key: 'live', role: 'status', class: stage === 'working' ? 'progress' : 'quiet' }, stage === 'working' ? [h('span', null, text.working), h('i', { 'aria-hidden': 'true' })] : ''),
    said && h('p', { key: 'error', class: 'bad', role: 'alert' }, said),
    offer.optional && stage === 'placing' && !measuring.complete && h('button', { key: 'without', class: 'btn', onclick: () => measuring.measure() }, text.without));
}
