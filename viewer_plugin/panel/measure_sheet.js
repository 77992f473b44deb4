// @ts-check
/** Computing a measurement, in place of the structure's card: choose, set points, look, accept. */

import { showBeside } from './before.js';
import { h } from './dom.js';
import { keyOf } from './keys.js';
import { landmarkDrawing } from './landmark_drawing.js';
import { glance } from './measure_glance.js';
import { bySection, earlierImages, secondImages, viewLabel } from './measure_offers.js';
import { results } from './measure_result.js';
import { notOffered } from './said.js';
import { strings } from './strings.js';
import { sectionsOf } from './walk.js';

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
    h('p', { class: 'code sentence' }, [item?.name, measuring.offer && viewLabel(session, measuring.view)].filter(Boolean).join(' · ')),
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
  const item = session.template.items.find(one => one.id === measuring.item);
  const sections = offers => bySection(offers, sectionsOf(session.template), item?.section ?? '')
    .map(({ section, offers: list }) => h('div', { key: section || 'scale', class: 'of-section' }, h('h3', null, strings.sections[section] ?? text.scale), h('ul', null, list.map(button))));
  return h('div', { key: 'choices', class: 'offers', 'data-first-offer': true },
    sections(here),
    elsewhere.length > 0 && h('details', { key: 'elsewhere' }, h('summary', null, text.elsewhere(elsewhere.length)), sections(elsewhere)),
    measuring.without.length > 0 && h('details', { key: 'without' }, h('summary', null, text.unmeasured(measuring.without.length)),
      h('ul', null, measuring.without.map(one => notOffered(one)).map(({ name, title, why }) => h('li', { key: name, class: 'small' }, h('span', { class: 'sentence' }, title), `: ${why}`)))));
}

function offerNote(offer) {
  const points = text.points(offer.needed, offer.landmarks.length);
  return [offer.name && offer.kind === 'limb_measurement' ? offer.name.replaceAll('_', ' ') : '', offer.view, points].filter(Boolean).join(' · ');
}

function atWork(ctx) {
  const { measuring } = ctx.session;
  const { offer } = measuring;
  return h('div', { key: 'work', class: 'work' },
    h('div', { key: 'guide', class: 'guide' }, landmarkDrawing(offer, measuring.chosen % offer.landmarks.length),
      h('div', null, h('p', { class: 'small sentence' }, offer.guidance), offer.traps && h('p', { key: 'traps', class: 'small dim sentence' }, offer.traps))),
    size(ctx),
    marks(ctx, 'own', text.landmarks),
    second(ctx),
    status(ctx),
    results(ctx),
    before(ctx),
    h('div', { key: 'buttons', class: 'buttons act' },
      glance(measuring),
      h('button', { class: 'btn primary wide', 'data-accept': true, disabled: !measuring.acceptable, onclick: () => measuring.accept() },
        measuring.id ? text.acceptChange : text.accept, h('kbd', null, keyOf('takeOver'))),
      h('button', { class: 'btn', onclick: () => measuring.close() }, text.discard)));
}

/** The points on one of the images. */
function marks(ctx, role, title) {
  const { measuring } = ctx.session;
  const rows = measuring.landmarks.flatMap((mark, i) => (mark.role === role ? [landmark(ctx, mark, i)] : []));
  return rows.length > 0 && [h('h3', { key: `${role} title` }, title), h('ol', { key: role, class: 'marks' }, rows)];
}

/** One point: what it is, where it is; with the focus on it the arrow keys move it. */
function landmark(ctx, mark, index) {
  const { session } = ctx;
  const { measuring } = session;
  const point = measuring.points[index];
  const chosen = measuring.chosen === index;
  const where = point ? text.at(point) : text.notSet;
  const view = mark.role === 'own' ? '' : ` · ${viewLabel(session, mark.view)}`;
  return h('li', { key: mark.id },
    h('button', {
      class: chosen ? 'landmark chosen' : 'landmark', 'aria-pressed': String(chosen), 'data-landmark': String(index),
      'aria-label': text.landmark(index + 1, [mark.name + view, mark.where].filter(Boolean).join(': '), where, Boolean(point)),
      onfocus: () => measuring.choosePoint(index),
      onclick: () => chooseOrPlace(ctx, index),
      onkeydown: event => nudge(ctx, index, event),
    }, h('span', { class: 'number-mark', 'aria-hidden': 'true' }, String(index + 1)),
    h('span', { class: 'about' }, h('span', { class: 'sentence' }, mark.name),
      h('span', { class: 'dim small' }, point ? where : chosen ? text.clickNow : text.notSet),
      chosen && mark.where && h('span', { class: 'dim small place sentence' }, mark.where))));
}

/** How large a ball or ruler truly is. */
function size({ session: { measuring } }) {
  if (!measuring.offer.sized) return null;
  return h('label', { key: 'size', class: 'label' }, text.trueSize(measuring.offer.kind),
    h('input', { type: 'number', min: '2', max: '1000', step: 'any', 'data-field': 'true size', '.value': measuring.trueMm ? String(measuring.trueMm) : '', onchange: event => measuring.size(Number(event.target.value)) }));
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

/** A control is the same view of the other limb or of before; a fracture needs the view across. */
function second(ctx) {
  const { session, host } = ctx;
  const { measuring } = session;
  const { offer, control } = measuring;
  const others = secondImages(session, offer, measuring.view);
  const across = offer.second === 'across';
  if (!others.length) return offer.second && h('p', { key: 'alone', class: 'small dim' }, across ? text.noAcross : text.noControlImage);
  const choose = event => {
    const one = others.find(other => other.view === event.target.value);
    if (one) bring(ctx, one);
    measuring.compare(one?.view ?? '');
  };
  return h('div', { key: 'second', class: 'work' },
    h('label', { class: 'label' }, across ? text.across : text.control,
      h('select', { 'data-second': true, onchange: choose },
        h('option', { value: '', selected: !control }, text.noControl),
        others.map(one => h('option', { key: one.view, value: one.view, selected: control === one.view }, one.label)))),
    control && host && marks(ctx, 'control', text.onImage(viewLabel(session, control), offer.second === 'control')));
}

/** The same measured on an image of before, to compare with: it stands beside, and in no report. */
function before(ctx) {
  const { session } = ctx;
  const { measuring } = session;
  const found = earlierImages(session, measuring.view);
  if (!found.length || !measuring.acceptable) return null;
  const { earlier, offer } = measuring;
  const done = one => measuring.before.some(known => known.view === one.view);
  const toggle = one => {
    if (earlier?.view === one.view) return measuring.measureBefore(null);
    bring(ctx, one);
    measuring.measureBefore(one);
  };
  return h('div', { key: 'before', role: 'group', class: 'same-before', 'aria-label': text.sameBefore }, h('h3', null, text.sameBefore),
    h('div', { class: 'buttons' }, found.map(one => h('button', { key: one.view, class: 'btn', 'aria-pressed': String(earlier?.view === one.view), onclick: () => toggle(one) }, `${done(one) ? '✓ ' : ''}${one.label}`))),
    earlier && marks(ctx, 'before', text.onImage(earlier.label, offer.needed === 0)),
    measuring.before.map(known => h('button', { key: `out ${known.view}`, class: 'link', onclick: () => measuring.takeOutBefore(known.view) }, text.takeOutBefore(viewLabel(session, known.view)))));
}

/** Another image to the screen: an earlier one beside today's. */
function bring({ session, host }, { view, study }) {
  const { measuring } = session;
  if (!study) return host.show([measuring.view, view]);
  const { images, study_date: date } = session.priors.studies.find(one => one.study_uid === study);
  showBeside(session, host, { study, images: images.map(image => ({ ...image, date })), pairs: [[measuring.view, view]] });
}

function status({ session }) {
  const { measuring } = session;
  const { offer, stage } = measuring;
  const said = measuring.error === 'elsewhere' ? text.elsewhereClicked(viewLabel(session, measuring.viewOf(measuring.chosen)))
    : measuring.error === 'hidden' ? text.hidden : measuring.error;
  return h('div', { key: 'status' },
    h('div', { key: 'live', role: 'status', class: stage === 'working' ? 'progress' : 'quiet' }, stage === 'working' ? [h('span', null, text.working), h('i', { 'aria-hidden': 'true' })] : ''),
    said && h('p', { key: 'error', class: 'bad', role: 'alert' }, said),
    stage === 'placing' && measuring.ready && offer.needed === 0 && h('button', { key: 'without', class: 'btn', onclick: () => measuring.measure() }, text.without));
}
