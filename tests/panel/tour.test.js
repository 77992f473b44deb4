import assert from 'node:assert/strict';
import { readFileSync } from 'node:fs';
import { test } from 'node:test';

import { Guiding, ghosts } from '../../viewer_plugin/panel/guiding.js';
import { FakeHost } from '../../viewer_plugin/host/fake.js';
import { carried, placesGuessed, twinOf, withBeside } from '../../viewer_plugin/panel/beside_guide.js';
import { LEVELS } from '../../viewer_plugin/panel/landmark_levels.js';
import { landmarksOf } from '../../viewer_plugin/panel/landmarks.js';
import { maps } from '../../viewer_plugin/panel/maps.js';
import { guideOf, hungAxes, levelsOf } from '../../viewer_plugin/panel/tour.js';
import { DPA, ML, reading, template } from './example.js';

const file = name => JSON.parse(readFileSync(new URL(`../../viewer_plugin/maps/${name}.json`, import.meta.url), 'utf8'));
maps.loaded = ['dog_fore', 'dog_hind', 'cat_fore', 'cat_hind', 'horse_fore', 'horse_hind'].map(file);

const item = (region, structure, section = 'cartilage') => ({
  ...template().items[0], id: `R.${region}.${structure}`, structure, region, section, name: structure, visibility: { [DPA]: 'well', [ML]: 'partly' },
});

/** A right carpus and manus with the joints that the landmarks need. */
function limb() {
  const joints = [['carpus', 'antebrachiocarpal'], ['carpus', 'carpometacarpal'], ['manus', 'mcp_2'], ['manus', 'mcp_3'], ['manus', 'mcp_5'], ['manus', 'dip_3']];
  const bones = [['carpus', 'radial_carpal'], ['carpus', 'ulnar_carpal'], ['manus', 'd3_p1']];
  const soft = { ...item('carpus', 'soft_dorsal', 'soft_tissue') };
  return { ...template(), items: [...joints.map(([r, s]) => item(r, s)), ...bones.map(([r, s]) => item(r, s, 'bone')), soft] };
}

const [dpa, ml] = limb().views;
/** A limb that runs straight down an image at four pixels for one of the map, medial at the right. */
const STRAIGHT = {
  'R.carpus.antebrachiocarpal': [500, 488], 'R.carpus.carpometacarpal': [500, 724],
  'R.manus.mcp_2': [722, 1224], 'R.manus.mcp_5': [278, 1224], 'R.manus.dip_3': [500, 1716],
};
const near = (a, b, by) => assert.ok(Math.abs(a - b) <= by, `${a} is not ${b}`);

/** A straight limb down an image, 600 pixels wide, as the node answers. */
const limbAlong = x => {
  const down = by => Array.from({ length: 40 }, (_, i) => [x + by, 50 * i]);
  return { refusal: '', drawn: [['limb axis', 0], ['first side', -300], ['second side', 300]].map(([name, by]) => ({ name, points: down(by) })) };
};

function bench({ signed = false, limbAt = 0 } = {}) {
  const session = {
    study: '1', signed, walking: true, side: 'R', item: 'R.carpus.radial_carpal', editing: '', template: limb(), reading: reading(), undo: [],
    measuring: { close() {} }, opening: { facts: { images: [{ uid: DPA }, { uid: ML }] } },
    api: { measure: async () => (limbAt ? limbAlong(limbAt) : { refusal: 'no air.', drawn: [] }) },
    update(change = {}) { Object.assign(this, change); },
    commit(next) { this.undo.push(this.reading); this.reading = next; },
  };
  return { session, landmarks: landmarksOf(/** @type {any} */ (session)) };
}
const settle = () => new Promise(resolve => setImmediate(resolve));

test('the landmarks run from proximal to distal, with the row of digits only where it is not superimposed', () => {
  const front = levelsOf(maps.loaded, limb(), dpa, 'R').map(level => level.ids.map(id => id.split('.')[2]));
  assert.deepEqual(front, [['antebrachiocarpal'], ['carpometacarpal'], ['mcp_2', 'mcp_5'], ['dip_3']]);
  assert.deepEqual(levelsOf(maps.loaded, limb(), ml, 'R').map(level => level.ids[0].split('.')[2]), ['antebrachiocarpal', 'carpometacarpal', 'mcp_3', 'dip_3']);
  assert.deepEqual(levelsOf(maps.loaded, limb(), dpa, 'L'), []);
});

test('every region of every map has two levels whose structures are drawn', () => {
  for (const map of maps.loaded) {
    for (const region of map.regions) {
      assert.ok(LEVELS[region]?.length >= 2, region);
      for (const { front, side = [] } of LEVELS[region]) {
        for (const id of [...front, ...side]) assert.ok(map.shapes[`${region}.${id}`] ?? map.shapes[id], `${map.id} ${region} ${id}`);
      }
    }
  }
});

test('a bone is found along and across the limb, on a turned image too', () => {
  const guide = guideOf(maps.loaded, limb(), { [DPA]: STRAIGHT }, dpa, 'R');
  const find = structure => guide.place([limb().items.find(one => one.structure === structure)]);
  const [medial, lateral] = [find('radial_carpal'), find('ulnar_carpal')];
  near(medial.y, 538, 12);
  assert.ok(medial.x - lateral.x > 120 && medial.x > 500 && lateral.x < 500);
  assert.ok(medial.fov > 300 && medial.fov < 700);
  const turned = Object.fromEntries(Object.entries(STRAIGHT).map(([id, [x, y]]) => [id, [2000 - y, x]]));
  const other = guideOf(maps.loaded, limb(), { [DPA]: turned }, dpa, 'R').place([limb().items.find(one => one.structure === 'radial_carpal')]);
  near(other.x, 2000 - medial.y, 1e-6);
  near(other.y, medial.x, 1e-6);
});

test('structures read together fill the picture, however long they are', () => {
  const guide = guideOf(maps.loaded, limb(), { [DPA]: STRAIGHT }, dpa, 'R');
  const digit = ['d4_p1', 'd4_p2', 'd4_p3'].map(structure => item('manus', structure, 'bone'));
  const places = digit.map(item => guide.place([item]));
  const tall = places[2].y - places[0].y;
  const { fov, y } = guide.place(digit);
  assert.ok(y > places[0].y && y < places[2].y);
  assert.ok(fov > 1.4 * tall && fov < 2.6 * tall, `${fov} for ${tall}`);
});

test('without a row of two, a bone is looked for on the axis; soft tissues are seen on the whole image', () => {
  const { 'R.manus.mcp_2': _, 'R.manus.mcp_5': __, ...line } = STRAIGHT;
  const guide = guideOf(maps.loaded, limb(), { [DPA]: line }, dpa, 'R');
  assert.equal(guide.place([limb().items.find(one => one.structure === 'ulnar_carpal')]).x, 500);
  assert.equal(guide.place([limb().items.find(one => one.structure === 'soft_dorsal')]), null);
  assert.equal(guideOf(maps.loaded, limb(), { [DPA]: { 'R.manus.dip_3': [1, 1], 'R.manus.mcp_2': [1, 1] } }, dpa, 'R'), null);
  assert.equal(guideOf(maps.loaded, limb(), undefined, dpa, 'R'), null);
});

test('a level of the image is the same level of the map, forwards and back', () => {
  const guide = guideOf(maps.loaded, limb(), { [DPA]: STRAIGHT }, dpa, 'R');
  for (const y of [60, 122, 150, 300, 440]) near(guide.level(guide.at(y).at), y, 1e-6);
});

test('directions of the screen are known on an image that is hung flipped', () => {
  assert.deepEqual(hungAxes({ rotation: 0, flip_horizontal: true }).right.map(Math.round), [-1, -0]);
});

test('nothing is proposed before the uppermost and the lowest are set, which are asked for first', async () => {
  const { session, landmarks } = bench({ limbAt: 500 });
  landmarks.open();
  await settle();
  assert.equal(landmarks.proposing, false);
  assert.deepEqual(landmarks.chosen, { uid: DPA, id: 'R.carpus.antebrachiocarpal' });
  landmarks.place({ uid: DPA, point: [500, 488] });
  assert.equal(landmarks.proposing, false);
  assert.deepEqual(landmarks.chosen, { uid: DPA, id: 'R.manus.dip_3' });
  landmarks.place({ uid: DPA, point: [500, 1716] });
  assert.deepEqual(Object.keys(landmarks.proposals[DPA]), ['R.carpus.carpometacarpal']);
  near(landmarks.point(DPA, 'R.carpus.carpometacarpal')[1], 724, 6);
  assert.deepEqual(landmarks.proposals[ML], {});
  assert.deepEqual(Object.keys(session.reading.landmarks), [DPA]);
});

test('what is proposed guides nothing before it is taken over, and can be undone', async () => {
  const { session, landmarks } = bench({ limbAt: 500 });
  session.opening.facts.images = [{ uid: DPA, hung: true, rotation: 0, flip_horizontal: false }, { uid: ML }];
  landmarks.open();
  await settle();
  for (const point of /** @type {[number, number][]} */ ([[500, 488], [500, 1716]])) landmarks.place({ uid: DPA, point });
  const id = 'R.carpus.carpometacarpal';
  assert.ok(landmarks.isProposed(DPA, id) && landmarks.isProposed(DPA, 'R.manus.mcp_2'));
  assert.equal(session.undo.length, 2);
  const [x, y] = landmarks.point(DPA, id);
  for (const type of ['chosen', 'moved', 'chosen']) landmarks.handle({ type, id: `${DPA}|${id}`, point: [x, y] });
  assert.equal(session.undo.length, 2);
  landmarks.handle({ type: 'moving', id: `${DPA}|${id}`, point: [x, y - 5] });
  landmarks.handle({ type: 'moved', id: `${DPA}|${id}`, point: [x, y - 10] });
  assert.deepEqual(session.reading.landmarks[DPA][id], [x, y - 10]);
  landmarks.accept();
  assert.equal(Object.keys(session.reading.landmarks[DPA]).length, 5);
  assert.equal(session.reading.landmarks[ML], undefined);
  assert.equal(session.undo.length, 4);
  assert.equal(landmarks.active, false);
});

test('a landmark beside the limb is said, set or carried over, and moves the image all the same', async () => {
  const { session, landmarks } = bench({ limbAt: 500 });
  session.reading.landmarks = { [DPA]: { ...STRAIGHT, 'R.manus.mcp_5': [120, 1224] } };
  assert.equal(landmarks.wrong(dpa), null);
  landmarks.open();
  await settle();
  assert.deepEqual(landmarks.wrong(dpa), { kind: 'outside', ids: ['R.manus.mcp_5', 'R.manus.mcp_5'] });
  assert.ok(guideOf(maps.loaded, limb(), session.reading.landmarks, dpa, 'R'));
});

test('one beside the limb is said where landmarks were set before, without opening them', async () => {
  const { session, landmarks } = bench({ limbAt: 500 });
  session.reading.landmarks = { [DPA]: { ...STRAIGHT, 'R.manus.mcp_5': [120, 1224] } };
  const asked = [];
  const { measure } = session.api;
  session.api.measure = async (study, wanted) => (asked.push(wanted.image_uid), measure());
  landmarks.look();
  landmarks.look();
  await settle();
  assert.deepEqual(asked, [DPA]);
  assert.equal(landmarks.wrong(dpa).kind, 'outside');
  assert.equal(landmarks.active, false);
});

test('of a region with two levels the second image takes one click', async () => {
  const { session, landmarks } = bench({ limbAt: 500 });
  const hung = { hung: true, rotation: 0, flip_horizontal: false, spacing: { kind: 'detector', row_mm: 0.1, column_mm: 0.1 } };
  session.opening.facts.images = /** @type {any} */ ([{ uid: DPA, ...hung }, { uid: ML, ...hung }]);
  session.template.items = session.template.items.filter(one => one.region === 'carpus');
  landmarks.open();
  await settle();
  for (const point of /** @type {[number, number][]} */ ([[500, 488], [500, 724]])) landmarks.place({ uid: DPA, point });
  assert.deepEqual(landmarks.proposals[ML], {});
  landmarks.place({ uid: ML, point: [480, 600] });
  assert.deepEqual(landmarks.proposals[ML], { 'R.carpus.carpometacarpal': [480, 836] });
  assert.equal(landmarks.picking, false);
  session.opening.facts.images[1] = /** @type {any} */ ({ uid: ML, ...hung, spacing: { kind: 'fiducial', row_mm: 0.1, column_mm: 0.1 } });
  session.update({ reading: { ...session.reading, landmarks: { ...session.reading.landmarks } } });
  assert.deepEqual(landmarks.proposals[ML], {}, 'another kind of scale is another magnification');
});

test('without an outline of the limb, clicks set every landmark of the image that is clicked, ends first', async () => {
  const { session, landmarks } = bench();
  landmarks.open();
  await settle();
  assert.equal(landmarks.refusals[DPA], 'no air.');
  assert.ok(landmarks.picking);
  landmarks.place({ uid: DPA, point: [500, 488] });
  landmarks.place({ uid: ML, point: [300, 480] });
  landmarks.place({ uid: DPA, point: [500, 1716] });
  landmarks.place({ uid: DPA, point: [500, 724] });
  assert.equal(landmarks.proposing, false);
  assert.deepEqual(session.reading.landmarks[DPA], { 'R.carpus.antebrachiocarpal': [500, 488], 'R.manus.dip_3': [500, 1716], 'R.carpus.carpometacarpal': [500, 724] });
  assert.deepEqual(session.reading.landmarks[ML], { 'R.carpus.antebrachiocarpal': [300, 480] });
  session.item = 'R.manus.d3_p1';
  assert.equal(landmarks.active, false);
});

test('a signed reading is guided but its landmarks stay', () => {
  const { landmarks } = bench({ signed: true });
  landmarks.open();
  assert.equal(landmarks.active, false);
});

test('the next structure moves every image that has landmarks, once, and leaves the others', () => {
  const { session } = bench();
  session.reading.landmarks = { [DPA]: STRAIGHT };
  const host = new FakeHost([DPA, ML]);
  const guiding = new Guiding();
  const go = structure => guiding.follow(/** @type {any} */ (session), host, session.template.items.filter(one => one.structure === structure));
  const moves = () => host.calls.filter(([name]) => name === 'zoomTo').map(([, uid]) => uid);
  go('radial_carpal');
  go('radial_carpal');
  assert.deepEqual(moves(), [DPA]);
  go('d3_p1');
  assert.deepEqual(moves(), [DPA, DPA]);
  guiding.arrived(DPA);
  guiding.apply(host);
  assert.equal(moves().length, 3);
  go('soft_dorsal');
  assert.deepEqual(host.calls.at(-1), ['whole']);
});

test('an image that is still on its way is moved when it is there', () => {
  const { session } = bench();
  session.reading.landmarks = { [DPA]: STRAIGHT };
  const host = new FakeHost([DPA, ML]);
  let there = false;
  host.zoomTo = () => there;
  const guiding = new Guiding();
  guiding.follow(/** @type {any} */ (session), host, [session.template.items[6]]);
  assert.equal(guiding.done.size, 0);
  there = true;
  guiding.apply(host);
  assert.deepEqual([...guiding.done], [DPA]);
});

test('a finding puts a ghost at its level on the view at a right angle', () => {
  const { session } = bench();
  const side = { 'R.carpus.antebrachiocarpal': [300, 480], 'R.carpus.carpometacarpal': [300, 716], 'R.manus.dip_3': [300, 1700] };
  session.reading.landmarks = { [DPA]: STRAIGHT, [ML]: side };
  session.reading.findings = [{ id: 'f', item: 'R.carpus.radial_carpal', view: DPA }];
  assert.equal(ghosts(/** @type {any} */ (session)).shapes.length, 0);
  session.editing = 'f';
  const [ghost] = ghosts(/** @type {any} */ (session)).shapes;
  assert.equal(ghost.uid, ML);
  near((ghost.points[0][1] + ghost.points[1][1]) / 2, 530, 12);
  session.reading.measurements = [{ finding: 'f', view: DPA, points: [[480, 600], [520, 600]] }];
  near(ghosts(/** @type {any} */ (session)).shapes[0].points[0][1], 592, 1);
});

test('without two landmarks at one level the tour still goes to medial and lateral, as the image hangs', () => {
  const two = { [DPA]: { 'R.carpus.antebrachiocarpal': [500, 488], 'R.carpus.carpometacarpal': [500, 724] } };
  const place = (id, hung) => guideOf(maps.loaded, limb(), two, dpa, 'R', hung).place([limb().items.find(one => one.structure === id)]);
  assert.equal(place('ulnar_carpal', null).x, 500);
  const [radial, ulnar] = ['radial_carpal', 'ulnar_carpal'].map(id => place(id, { hung: true, rotation: 0, flip_horizontal: false }));
  const flipped = place('ulnar_carpal', { hung: true, rotation: 0, flip_horizontal: true });
  assert.ok(Math.abs(radial.x - ulnar.x) > 30);
  near(flipped.x - 500, 500 - ulnar.x, 0.01);
  const all = guideOf(maps.loaded, limb(), { [DPA]: STRAIGHT }, dpa, 'R').place([limb().items.find(one => one.structure === 'ulnar_carpal')]);
  assert.equal(Math.sign(all.x - 500), Math.sign(ulnar.x - 500));
});

const image = (uid, more = {}) => ({ uid, view: 'DPa', columns: 1000, rows: 2000, rotation: 0, flip_horizontal: false, hung: true, spacing: { column_mm: 0.15 }, landmarks: {}, ...more });

test('landmarks are carried over in millimetres from the middle of the field, whatever way the image was stored', () => {
  const points = { a: [600, 1500] };
  assert.deepEqual(carried(points, image('1'), image('2', { spacing: { column_mm: 0.3 }, columns: 500, rows: 1000 })), { a: [300, 750] });
  assert.deepEqual(carried(points, image('1'), image('2', { rotation: 180 })), { a: [400, 500] });
  assert.deepEqual(carried(points, image('1'), image('2', { rotation: 90, columns: 2000, rows: 1000 })), { a: [1500, 400] });
  assert.deepEqual(carried(points, image('1'), image('2'), true), { a: [400, 1500] });
  assert.deepEqual(carried(points, image('1', { spacing: {} }), image('2', { rows: 1000, columns: 500 })), { a: [300, 750] });
  assert.deepEqual(carried(points, image('1'), { uid: '2' }), {});
});

/** Today's DPa with an earlier one beside it. */
function beside(earlier, more = {}) {
  const { session, landmarks } = bench();
  Object.assign(session, { beside: '9', plan: { study: '9', images: [earlier], pairs: [[DPA, earlier.uid]] }, ...more });
  session.opening.facts.images = [image(DPA), image(ML)];
  session.reading = { ...session.reading, landmarks: { [DPA]: STRAIGHT } };
  return { session, landmarks };
}

test('an earlier image goes along by today\'s landmarks as a guess, which the reader puts right for good', () => {
  const { session, landmarks } = beside(image('9.1', { date: '20260202', columns: 900 }));
  assert.equal(placesGuessed(/** @type {any} */ (session)), true);
  const host = new FakeHost([DPA, '9.1']);
  const tour = new Guiding();
  tour.follow(/** @type {any} */ (session), host, [session.template.items.find(one => one.structure === 'radial_carpal')]);
  const went = Object.fromEntries(host.calls.filter(call => call[0] === 'zoomTo').map(([, uid, place]) => [uid, place]));
  near(went['9.1'].x, went[DPA].x - 50, 0.2);
  near(went['9.1'].y, went[DPA].y, 0.2);
  landmarks.open();
  assert.deepEqual(landmarks.views.map(({ view }) => view.label), ['DPa', 'ML', 'DPa, 2026-02-02']);
  assert.equal(landmarks.isProposed('9.1', 'R.manus.dip_3'), true);
  landmarks.put('9.1', 'R.manus.dip_3', [460, 1700]);
  landmarks.accept();
  assert.deepEqual(session.reading.prior_landmarks['9.1']['R.manus.dip_3'], [460, 1700]);
  assert.equal(Object.keys(session.reading.prior_landmarks['9.1']).length, 5);
  assert.deepEqual(session.reading.landmarks, { [DPA]: STRAIGHT });
  assert.equal(placesGuessed(/** @type {any} */ (session)), false);
});

test('landmarks that were saved with the earlier study come first', () => {
  const { session } = beside(image('9.1', { date: '20260202', landmarks: { ...STRAIGHT, 'R.manus.dip_3': [1, 2] } }));
  assert.deepEqual(withBeside(/** @type {any} */ (session)).own['9.1']['R.manus.dip_3'], [1, 2]);
  assert.equal(placesGuessed(/** @type {any} */ (session)), false);
});

test('the other limb goes to its own structure of the same name, mirrored where nothing was set there', () => {
  const right = limb();
  const left = right.items.map(one => ({ ...one, id: one.id.replace('R.', 'L.'), side: 'L', visibility: { L1: 'well' } }));
  const both = { ...right, items: [...right.items, ...left], views: [...right.views, { uid: 'L1', label: 'L DPa', view: 'DPa', side: 'L', orthogonal: [] }] };
  assert.equal(twinOf(both, 'R.carpus.radial_carpal', 'L1').id, 'L.carpus.radial_carpal');
  const { session } = beside(image('L1'), { template: both, beside: 'sides', plan: { study: '', images: [], pairs: [[DPA, 'L1']] } });
  session.opening.facts.images.push(image('L1'));
  const host = new FakeHost([DPA, 'L1']);
  new Guiding().follow(/** @type {any} */ (session), host, [both.items.find(one => one.id === 'R.carpus.radial_carpal')]);
  const went = Object.fromEntries(host.calls.filter(call => call[0] === 'zoomTo').map(([, uid, place]) => [uid, place]));
  near(went.L1.y, went[DPA].y, 0.2);
  near(went.L1.x - 500, 500 - went[DPA].x, 0.2);
});
