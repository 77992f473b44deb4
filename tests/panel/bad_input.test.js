import assert from 'node:assert/strict';
import { readFileSync } from 'node:fs';
import { test } from 'node:test';

import { landmarksOf } from '../../viewer_plugin/panel/landmarks.js';
import { wrongIn } from '../../viewer_plugin/panel/landmark_check.js';
import { someOf } from '../../viewer_plugin/panel/map_state.js';
import { maps } from '../../viewer_plugin/panel/maps.js';
import { Session } from '../../viewer_plugin/panel/session.js';
import { guideOf } from '../../viewer_plugin/panel/tour.js';
import { DPA, ML, id, reading, said, template } from './example.js';

maps.loaded = [JSON.parse(readFileSync(new URL('../../viewer_plugin/maps/dog_fore.json', import.meta.url), 'utf8'))];

// Three levels that lie 100 apart on the map; the second has a medial and a lateral landmark.
const LEVELS = [
  { ids: ['a'], places: [[50, 0]], x: 50, y: 0 },
  { ids: ['m', 'l'], places: [[80, 100], [20, 100]], x: 50, y: 100 },
  { ids: ['z'], places: [[50, 200]], x: 50, y: 200 },
];
const RIGHT = { a: [500, 100], m: [620, 500], l: [380, 500], z: [500, 900] };
const UPRIGHT = { right: [1, 0], down: [0, 1] };
const wrong = (points, hung = UPRIGHT) => wrongIn(/** @type {any} */ (LEVELS), { ...RIGHT, ...points }, hung);

test('nothing is said of landmarks that are right, however the image hangs', () => {
  assert.equal(wrong({}), null);
  assert.equal(wrong({ z: [900, 700] }), null); // a bent joint
  const turned = Object.fromEntries(Object.entries(RIGHT).map(([name, [x, y]]) => [name, [-x, -y]]));
  assert.equal(wrongIn(/** @type {any} */ (LEVELS), turned, { right: [-1, 0], down: [0, -1] }), null);
});

test('wrong landmarks are named: on one place, against their order, upside down, exchanged, out of proportion', () => {
  assert.deepEqual(wrong({ z: [382, 503] }), { kind: 'together', ids: ['l', 'z'] });
  assert.deepEqual(wrong({ a: [500, 700] }), { kind: 'order', ids: ['a', 'm'] });
  assert.equal(wrong({ a: [500, 900], z: [500, 100] })?.kind, 'turned');
  assert.equal(wrong({ a: [500, 900], z: [500, 100] }, null), null);
  assert.deepEqual(wrong({ m: [380, 500], l: [620, 500] }), { kind: 'exchanged', ids: ['m', 'l'] });
  assert.deepEqual(wrong({ z: [500, 580] }), { kind: 'uneven', ids: ['m', 'z'] });
});

const joint = (region, structure) => ({ ...template().items[0], id: `R.${region}.${structure}`, structure, region, section: 'cartilage', name: structure, visibility: { [DPA]: 'well', [ML]: 'well' } });
const limb = () => ({ ...template(), items: [joint('carpus', 'antebrachiocarpal'), joint('carpus', 'carpometacarpal'), joint('manus', 'mcp_3'), joint('manus', 'dip_3')] });

test('an image with landmarks against their order stays whole, and they are kept to be put right', () => {
  const [, ml] = limb().views;
  const points = { 'R.carpus.antebrachiocarpal': [500, 488], 'R.carpus.carpometacarpal': [500, 724], 'R.manus.mcp_3': [500, 1224], 'R.manus.dip_3': [500, 1716] };
  const swapped = { ...points, 'R.carpus.carpometacarpal': [500, 1224], 'R.manus.mcp_3': [500, 724] };
  assert.ok(guideOf(maps.loaded, limb(), { [ML]: points }, ml, 'R'));
  assert.equal(guideOf(maps.loaded, limb(), { [ML]: swapped }, ml, 'R'), null);
  const session = { signed: false, walking: true, side: 'R', item: 'R.manus.mcp_3', template: limb(), reading: { ...reading(), landmarks: { [ML]: swapped } }, opening: { facts: { images: [] } } };
  const landmarks = landmarksOf(/** @type {any} */ (session));
  assert.deepEqual(landmarks.wrong(ml), { kind: 'order', ids: ['R.carpus.carpometacarpal', 'R.manus.mcp_3'] });
  assert.deepEqual(landmarks.missing(session.template.items[0]).map(view => view.uid), [DPA]);
  assert.deepEqual(landmarks.point(ML, 'R.manus.mcp_3'), [500, 724]);
});

test('of forty images the first are named, and the node is asked for two at a time', async () => {
  assert.deepEqual(someOf(['a', 'b', 'c', 'd', 'e']), ['a', 'b', 'c', 'd', 'e']);
  assert.deepEqual(someOf([...'abcdefgh']), ['a', 'b', 'c', 'd', '4 more']);
  const views = Array.from({ length: 40 }, (_, i) => ({ ...template().views[0], uid: `1.9.${i}` }));
  const seen = Object.fromEntries(views.map(view => [view.uid, 'well']));
  const big = { ...limb(), views, items: limb().items.map(item => ({ ...item, visibility: seen })) };
  let [now, most, all] = [0, 0, 0];
  const measure = async () => {
    most = Math.max(most, (now += 1));
    await new Promise(resolve => setImmediate(resolve));
    now -= 1;
    all += 1;
    return { refusal: 'no air.', drawn: [] };
  };
  const session = { study: '1', signed: false, walking: true, side: 'R', item: big.items[0].id, template: big, reading: reading(), measuring: { close() {} }, opening: { facts: { images: [] } }, api: { measure }, update(change = {}) { Object.assign(this, change); } };
  landmarksOf(/** @type {any} */ (session)).open();
  while (all < 40) await new Promise(resolve => setImmediate(resolve));
  assert.equal(most, 2);
});

/** A node whose template is replaced while the study is being read. */
function node() {
  const at = { version: 1, template: template(), reading: reading() };
  const standing = () => ({ version: at.version, saved_at: '', reading: at.reading, gaps: [], advice: undefined });
  return {
    at,
    whoami: async () => null,
    priors: async () => ({ search: { state: 'off' }, studies: [], observations: {}, measurements: {} }),
    open: async () => ({ ...standing(), template: at.template, facts: { images: [] }, documents: [], state: 'reading' }),
    save: async (_study, version, content) => {
      if (version !== at.version) throw Object.assign(new Error('Saved by another tab.'), { status: 412 });
      at.version += 1;
      at.reading = { ...content, template_revision: at.template.revision };
      return standing();
    },
    late() {
      const more = { uid: '1.2.3', label: 'D45L-PaMO', view: 'D45L-PaMO', side: 'R', orthogonal: [] };
      at.template = { ...template(), revision: 2, views: [...template().views, more], items: template().items.map(item => ({ ...item, visibility: { ...item.visibility, '1.2.3': 'well' } })) };
    },
  };
}

test('a newer template while reading: what was entered is kept, the place too, and the new image is asked for', async () => {
  const api = node();
  const kept = new Map();
  const session = new Session('1.2', /** @type {any} */ (api), { get: key => kept.get(key) ?? null, set: (key, text) => (text === null ? kept.delete(key) : kept.set(key, text)) });
  await session.load();
  session.choose(id('c1'));
  api.late();
  session.commit({ ...session.reading, observations: { [id('c1')]: { [DPA]: said('normal') } }, impression: 'Half a sent' });
  while (session.template.revision !== 2) await new Promise(resolve => setImmediate(resolve));
  assert.equal(session.reading.impression, 'Half a sent');
  assert.deepEqual(session.reading.observations[id('c1')], { [DPA]: said('normal') });
  assert.equal(session.item, id('c1'));
  assert.ok(session.template.views.some(view => view.uid === '1.2.3'));
  assert.notEqual(session.message, '');
  session.undo();
  while (!session.queue.clean) await new Promise(resolve => setImmediate(resolve));
  assert.deepEqual(api.at.reading.observations, {});
  assert.equal(session.template.revision, 2);
});

test('a word typed while the newer template is fetched is not replaced by the older text', async () => {
  const api = node();
  const session = new Session('1.2', /** @type {any} */ (api), { get: () => null, set() {} });
  await session.load();
  api.late();
  const open = api.open;
  let typed = false;
  api.open = async () => {
    const answer = await open();
    if (!typed) session.commit({ ...session.reading, impression: 'Half a sentence' }, '', 'impression');
    typed = true;
    return answer;
  };
  session.commit({ ...session.reading, impression: 'Half' }, '', 'impression');
  while (session.template.revision !== 2) await new Promise(resolve => setImmediate(resolve));
  assert.equal(session.reading.impression, 'Half a sentence');
  assert.equal(api.at.reading.impression, 'Half a sentence');
});

test('what was saved while the new template was on its way is not taken back by it', async () => {
  const api = node();
  const session = new Session('1.2', /** @type {any} */ (api), { get: () => null, set() {} });
  await session.load();
  api.late();
  const { open } = api;
  /** @type {() => void} */
  let arrives = () => {};
  const held = new Promise(resolve => (arrives = () => resolve(undefined)));
  api.open = async () => {
    const opening = structuredClone(await open());
    api.open = open;
    await held;
    return opening;
  };
  session.commit({ ...session.reading, impression: 'Half a sent' });
  while (!session.queue.clean) await new Promise(resolve => setImmediate(resolve));
  session.commit({ ...session.reading, impression: 'Half a sentence' });
  while (!session.queue.clean) await new Promise(resolve => setImmediate(resolve));
  arrives();
  for (let n = 0; n < 5; n += 1) await new Promise(resolve => setImmediate(resolve));
  assert.equal(session.reading.impression, 'Half a sentence');
  session.commit({ ...session.reading, impression: 'Half a sentence.' });
  while (!session.queue.clean && session.queue.state !== 'conflict') await new Promise(resolve => setImmediate(resolve));
  assert.equal(api.at.reading.impression, 'Half a sentence.');
  assert.equal(session.template.revision, 2);
});
