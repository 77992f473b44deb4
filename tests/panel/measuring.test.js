import assert from 'node:assert/strict';
import { test } from 'node:test';

import { emptyLayer, marks } from '../../viewer_plugin/host/layer.js';
import { command } from '../../viewer_plugin/panel/keys.js';
import { pictureOf } from '../../viewer_plugin/panel/landmark_pictures.js';
import { bySection } from '../../viewer_plugin/panel/measure_offers.js';
import { Measuring } from '../../viewer_plugin/panel/measuring.js';
import { headline, meaningOf, numberText } from '../../viewer_plugin/panel/numbers.js';
import { path, publishedPlot, scale, ticks } from '../../viewer_plugin/panel/plots.js';
import { refText } from '../../viewer_plugin/panel/measure_result.js';
import { sameEntries, takeValues } from '../../viewer_plugin/panel/reading.js';
import { DPA, ML, id, reading, said, template } from './example.js';

const settle = () => new Promise(resolve => setImmediate(resolve));
const joint = { kind: 'joint_space', name: '', title: 'Joint space width', needed: 2, second: '', landmarks: [{ id: 'a', name: 'one', where: '' }, { id: 'b', name: 'other', where: '' }] };
const profile = { ...joint, kind: 'swelling_profile', title: 'Soft tissue profile', needed: 0, second: 'control', landmarks: [{ id: 'a', name: 'joint' }] };
const width = { id: 'minimum', name: 'minimum', value: 1.284, unit: 'mm', plus_minus: 0.2, bound: '' };
const given = {
  kind: 'joint_space', method: 'm', version: '1', calibration: 'fiducial', numbers: [width], word: '', why: '', doubts: [], refusal: '', profiles: [],
  drawn: [{ kind: 'line', name: 'minimum', points: [[5, 5], [5, 9]], radius: 0 }],
};

/** A session whose node answers when the test says so. */
function bench({ signed = false } = {}) {
  const calls = [];
  const session = {
    study: '1', signed, item: 'R.carpus.radius', editing: '', view: DPA, reading: reading(), template: template(), committed: [],
    opening: { facts: { signalment: { species: 'dog' } } },
    api: {
      measurable: async () => ({ offers: [joint, profile] }),
      measure: (study, request) => new Promise((answer, fail) => calls.push({ request, answer, fail })),
    },
    update() {},
    commit(next) { this.reading = next; this.committed.push(next); },
  };
  const measuring = new Measuring(/** @type {any} */ (session));
  return { measuring, session, calls };
}

async function placed() {
  const all = bench();
  await all.measuring.open();
  all.measuring.choose(joint);
  all.measuring.place({ uid: DPA, point: [1, 2] });
  all.measuring.place({ uid: DPA, point: [30, 2] });
  return all;
}

test('it begins on the open view that shows the structure best, unless the reader went to another', async () => {
  const begun = async (visibility, more = {}, finding = '') => {
    const { measuring, session } = bench();
    Object.assign(session, { item: id('radius_distal') }, more);
    Object.assign(session.template.items.find(one => one.id === session.item), { visibility });
    await measuring.open(session.item, finding);
    return measuring.view;
  };
  const sideways = { [DPA]: 'partly', [ML]: 'well' };
  assert.equal(await begun(sideways), ML);
  assert.equal(await begun({ [DPA]: 'well', [ML]: 'well' }), DPA, 'the first of those that show it equally well');
  assert.equal(await begun({ [DPA]: 'partly', [ML]: 'partly' }), DPA);
  assert.equal(await begun({ [DPA]: 'well', [ML]: 'partly' }, { view: ML }), ML, 'where the reader went');
  assert.equal(await begun(sideways, {}, 'f1'), DPA, 'where the finding is');
  const answered = { ...reading(), observations: { [id('radius_distal')]: { [ML]: said('normal') } } };
  assert.equal(await begun(sideways, { reading: answered }), DPA, 'what is answered is not open');
  const all = { ...reading(), observations: { [id('radius_distal')]: { [DPA]: said('normal'), [ML]: said('normal') } } };
  assert.equal(await begun(sideways, { reading: all }), ML, 'with nothing open, of all');
});

test('the last point starts the measuring, and accepting puts it into the reading', async () => {
  const { measuring, session, calls } = await placed();
  assert.equal(measuring.stage, 'working');
  assert.deepEqual(calls[0].request.points, [[1, 2], [30, 2]]);
  assert.equal(measuring.acceptable, false);
  calls[0].answer(given);
  await settle();
  assert.ok(measuring.acceptable);
  measuring.accept();
  const [kept] = session.reading.measurements;
  assert.equal(kept.kind, 'computed');
  assert.equal(kept.item, 'R.carpus.radius');
  assert.equal(kept.value, 1.284);
  assert.deepEqual(kept.computed.shapes[0].points, [[5, 5], [5, 9]]);
  assert.equal(measuring.active, false);
});

test('a refusal is shown and cannot be accepted, and nothing of it is kept', async () => {
  const { measuring, session, calls } = await placed();
  calls[0].answer({ ...given, numbers: [], refusal: 'Seen obliquely.' });
  await settle();
  measuring.accept();
  assert.ok(measuring.active);
  measuring.back();
  measuring.back();
  assert.equal(measuring.active, false);
  assert.deepEqual(session.committed, []);
});

test('only the answer to the newest points counts', async () => {
  const { measuring, calls } = await placed();
  measuring.handle({ type: 'moved', id: 'b', point: [40, 2] });
  assert.equal(calls.length, 2);
  calls[1].answer(given);
  await settle();
  calls[0].answer({ ...given, numbers: [{ ...width, value: 99 }] });
  await settle();
  assert.equal(measuring.result.numbers[0].value, 1.284);
});

test('while a handle is dragged nothing is asked, and the layer follows', async () => {
  const { measuring, calls } = await placed();
  measuring.handle({ type: 'moving', id: 'b', point: [50, 60] });
  assert.equal(calls.length, 1);
  assert.deepEqual(measuring.layer(numberText).handles.map(h => h.point), [[1, 2], [50, 60]]);
});

test('a node that does not answer leaves the points and says why', async () => {
  const { measuring, calls } = await placed();
  calls[0].fail(new Error('The node does not answer.'));
  await settle();
  assert.equal(measuring.error, 'The node does not answer.');
  assert.deepEqual(measuring.points, [[1, 2], [30, 2]]);
});

test('the second point belongs on the image of the first', async () => {
  const { measuring } = bench();
  await measuring.open();
  measuring.choose(joint);
  measuring.place({ uid: ML, point: [1, 2] });
  measuring.place({ uid: DPA, point: [3, 4] });
  assert.equal(measuring.view, ML);
  assert.equal(measuring.error, 'elsewhere');
  assert.equal(measuring.points[1], null);
});

test('a profile needs no point, and with a control it needs one on each image', async () => {
  const { measuring, calls } = bench();
  await measuring.open();
  measuring.choose(profile);
  measuring.measure();
  assert.deepEqual(calls[0].request.points, []);
  measuring.place({ uid: DPA, point: [1, 2] });
  measuring.compare(ML);
  measuring.place({ uid: ML, point: [7, 8] });
  const { request } = calls.at(-1);
  assert.deepEqual([request.points, request.control_uid, request.control_points], [[[1, 2]], ML, [[7, 8]]]);
});

test('a ball is asked for with its size, and gives other measurements on its image their scale', async () => {
  const { measuring, session, calls } = bench();
  await measuring.open();
  measuring.choose(/** @type {any} */ ({ ...joint, kind: 'ball', needed: 0, sized: true, landmarks: [{ id: 'middle', name: 'middle' }] }));
  measuring.place({ uid: DPA, point: [40, 50] });
  assert.equal(calls.length, 0);
  measuring.size(25);
  assert.deepEqual([calls[0].request.true_mm, calls[0].request.scale], [25, null]);
  calls[0].answer({ ...given, kind: 'ball', numbers: [{ ...width, id: 'spacing', value: 0.144 }] });
  await settle();
  measuring.accept();
  assert.equal(session.reading.measurements[0].computed.true_mm, 25);
  await measuring.open();
  measuring.choose(joint);
  measuring.place({ uid: DPA, point: [1, 2] });
  measuring.place({ uid: DPA, point: [30, 2] });
  assert.deepEqual(calls[1].request.scale, { kind: 'ball', points: [[40, 50]], true_mm: 25 });
});

test('a part of the points that are optional is not measured, all of them are', async () => {
  const { measuring, calls } = bench();
  await measuring.open();
  measuring.choose(/** @type {any} */ ({ ...joint, kind: 'implant', needed: 2, landmarks: ['a', 'b', 'c', 'd'].map(id => ({ id, name: id })) }));
  [1, 2, 3, 4].forEach(x => measuring.place({ uid: DPA, point: [x, x] }));
  assert.deepEqual(calls.map(call => call.request.points.length), [2, 4]);
});

test('the same is measured on an earlier image, beside it and not instead', async () => {
  const { measuring, session, calls } = await placed();
  calls[0].answer(given);
  await settle();
  measuring.measureBefore({ view: '9.9', study: '9', date: '20260101', label: '' });
  measuring.place({ uid: '9.9', point: [5, 6] });
  assert.deepEqual(measuring.asMeasurement().computed.before, []);
  measuring.place({ uid: '9.9', point: [7, 8] });
  assert.deepEqual(measuring.asMeasurement().computed.before, [{ study_uid: '9', view: '9.9', points: [[5, 6], [7, 8]] }]);
  assert.equal(calls.length, 1);
  measuring.accept();
  assert.deepEqual(session.reading.measurements[0].points, [[1, 2], [30, 2]]);
  measuring.takeOutBefore('9.9');
  assert.deepEqual(measuring.before, []);
});

test('an accepted measurement is adjusted under its own name', async () => {
  const { measuring, session, calls } = await placed();
  calls[0].answer(given);
  await settle();
  measuring.accept();
  const [first] = session.reading.measurements;
  await measuring.adjust(first);
  measuring.handle({ type: 'moved', id: 'a', point: [9, 9] });
  calls.at(-1).answer(given);
  await settle();
  measuring.accept();
  assert.deepEqual(session.reading.measurements.map(m => m.id), [first.id]);
  assert.deepEqual(session.reading.measurements[0].points[0], [9, 9]);
});

test('a signed report opens nothing', async () => {
  const { measuring } = bench({ signed: true });
  await measuring.open();
  assert.equal(measuring.active, false);
});

test('the numbers of the node are taken, and do not make a change of the reader', () => {
  const mine = { id: 'c', item: 'i', view: DPA, kind: 'computed', points: [[1, 2]], value: 0, unit: 'mm', calibration: '', finding: '', note: '', computed: { kind: 'joint_space', name: '', control_view: '', control_points: [], numbers: [] } };
  const theirs = { ...mine, value: 1.2, calibration: 'fiducial', computed: { ...mine.computed, numbers: [width] } };
  const before = { ...reading(), measurements: [mine] };
  const after = takeValues(before, [theirs]);
  assert.equal(after.measurements[0].computed.numbers[0].value, 1.284);
  assert.ok(sameEntries(before, after));
  const other = { ...after, measurements: [{ ...theirs, computed: { ...theirs.computed, kind: 'lucent_line' } }] };
  assert.ok(!sameEntries(before, other));
});

test('marks stand where the image points are, on their own image only', () => {
  const layer = {
    ...emptyLayer(),
    shapes: [{ uid: DPA, kind: 'line', name: 'minimum', points: [[1, 1], [2, 3]], tone: 'now' }, { uid: ML, kind: 'line', name: 'x', points: [[0, 0], [1, 1]], tone: 'now' }],
    handles: [{ uid: DPA, id: 'a', name: 'one end', label: '1', point: [4, 5], chosen: true }],
  };
  const drawn = marks(layer, DPA, ([x, y]) => [10 * x + 100, 10 * y], { width: 500, height: 500 });
  assert.deepEqual(drawn.filter(m => m.tag === 'path').slice(0, 2).map(m => m.attributes.d), ['M110 10L120 30', 'M110 10L120 30']);
  const handle = drawn.find(m => m.handle);
  assert.equal(handle.attributes.cx, '140');
  assert.equal(handle.attributes['aria-label'], 'one end');
  assert.equal(handle.attributes.tabindex, '0');
});

test('a label stays inside the image', () => {
  const layer = { ...emptyLayer(), labels: [{ uid: DPA, point: [499, 1], text: '1.28 ± 0.20 mm', tone: 'now' }] };
  const [box] = marks(layer, DPA, point => point, { width: 500, height: 400 });
  assert.ok(Number(box.attributes.x) + Number(box.attributes.width) <= 500);
  assert.ok(Number(box.attributes.y) >= 0);
});

test('numbers are written as in the report', () => {
  assert.equal(numberText(width), '1.28 ± 0.20 mm');
  assert.equal(numberText({ value: -0.004, unit: 'mm', plus_minus: 0.85 }), '0.00 ± 0.85 mm');
  assert.equal(numberText({ value: 0.65, unit: 'mm', plus_minus: null, bound: 'at most' }), 'at most 0.65 mm');
  assert.equal(numberText({ value: 94.23, unit: 'deg', plus_minus: 3.06 }), '94.2 ± 3.1°');
  assert.equal(numberText({ value: 1.754, unit: '1', plus_minus: 0.1 }), '1.75 ± 0.10');
  assert.equal(refText({ mean: 85.6, sd: 1.74, lo: null, hi: null, unit: 'deg' }), '85.6 ± 1.74°');
  assert.equal(refText({ mean: null, sd: null, lo: 1, hi: 2, unit: 'mm' }), '1 – 2 mm');
});

test('a curve has a gap where nothing is known', () => {
  const same = value => value;
  assert.equal(path([0, 1, 2, 3], [5, null, 6, 7], same, same), 'M0.0 5.0M2.0 6.0L3.0 7.0');
  assert.deepEqual(ticks(-30, 60, 4), [0, 50]);
  assert.equal(scale([0, 10], [0, 100])(4), 40);
});

test('without a published spread there is no plot of it', () => {
  const bare = { mean: 80, sd: null, population: '', source: 'X', grade: 'M' };
  assert.equal(publishedPlot({ value: 81, plus_minus: 2, unit: 'deg' }, [bare]), null);
  assert.ok(publishedPlot({ value: 81, plus_minus: 2, unit: 'deg' }, [{ ...bare, sd: 2 }]));
});

test('a landmark has its place in the drawing by what is measured', () => {
  const marks = ids => ids.map(id => ({ id }));
  const ends = marks(['axis_distal', 'axis_proximal', 'joint_medial', 'joint_lateral']);
  const distal = pictureOf({ kind: 'limb_measurement', name: 'aLDRA', landmarks: ends, lines: [['axis_distal', 'axis_proximal']] });
  const proximal = pictureOf({ kind: 'limb_measurement', name: 'aMPRA', landmarks: ends });
  assert.ok(distal.spots.axis_proximal[1] < distal.spots.axis_distal[1], 'proximal is above');
  assert.ok(proximal.spots.joint_medial[1] < proximal.spots.axis_proximal[1]);
  assert.ok(distal.spots.joint_medial[1] > distal.spots.axis_distal[1]);
  assert.equal(new Set(Object.values(distal.spots).map(String)).size, 4);
  assert.equal(pictureOf({ kind: 'limb_measurement', name: 'unheard of', landmarks: ends }), null);
  assert.deepEqual(pictureOf({ kind: 'joint_space', name: '', landmarks: marks(['one_end', 'other_end']) }).lines, [['one_end', 'other_end']]);
});

test('m computes a measurement', () => {
  assert.deepEqual(command({ key: 'm' }), { name: 'measure' });
});

test('an earlier measurement is found by what it is called', () => {
  assert.equal(meaningOf({ kind: 'computed', item: 'i', computed: { ...given, name: '' } }), 'joint space width');
  const angle = { kind: 'computed', computed: { kind: 'limb_measurement', name: 'aLDRA', numbers: [{ name: 'anatomic lateral distal radial angle' }] } };
  assert.equal(meaningOf(angle), 'anatomic lateral distal radial angle');
});

test('the number that stands for all is the first one, but of a fat plane where it lies', () => {
  const numbers = [{ id: 'seen' }, { id: 'distance' }];
  assert.equal(headline('swelling_profile', numbers).id, 'seen');
  assert.equal(headline('fat_plane', numbers).id, 'distance');
  assert.equal(headline('fat_plane', [...numbers, { id: 'displacement' }]).id, 'displacement');
  assert.equal(headline('fat_plane', [{ id: 'seen' }]).id, 'seen');
});

test('the number of a profile stands beside the limb, over no bone', () => {
  const { measuring, session } = bench();
  const line = (name, x) => ({ kind: 'line', name, points: [[x, 0], [x, 10], [x, 20], [x, 30]], radius: 0 });
  const computed = { kind: 'swelling_profile', shapes: [line('axis', 50), line('skin, first side', 20), line('bone, second side', 70), line('skin, second side', 80)], numbers: [width], curves: [] };
  session.reading = { ...session.reading, measurements: [/** @type {any} */ ({ id: 'c', item: session.item, view: DPA, computed })] };
  assert.deepEqual(measuring.layer(numberText).labels[0].point, [80, 10]);
  computed.shapes = [line('axis', 50)];
  assert.deepEqual(measuring.layer(numberText).labels[0].point, [50, 10]);
});

test('what can be measured is offered by section, that of the structure first, what gives a scale last', () => {
  const of = (title, section) => /** @type {any} */ ({ ...joint, title, section });
  const offers = [of('ball', ''), of('skin', 'soft_tissue'), of('space', 'cartilage'), of('axis', 'alignment'), of('angle', 'alignment')];
  const said = bySection(offers, ['alignment', 'bone', 'cartilage', 'devices', 'soft_tissue'], 'cartilage').map(one => [one.section, one.offers.map(offer => offer.title)]);
  assert.deepEqual(said, [['cartilage', ['space']], ['alignment', ['axis', 'angle']], ['soft_tissue', ['skin']], ['', ['ball']]]);
});
