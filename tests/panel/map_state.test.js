import assert from 'node:assert/strict';
import { readFileSync } from 'node:fs';
import { test } from 'node:test';

import { setObservation } from '../../viewer_plugin/panel/reading.js';
import { bounds, fills, mapFor, restOfLimb, shapeOf, toward, viewsOfSide, windowOf } from '../../viewer_plugin/panel/map_state.js';
import { kindsOf, strips } from '../../viewer_plugin/panel/view_kinds.js';
import { DPA, ML, reading, said, template } from './example.js';

const load = name => JSON.parse(readFileSync(new URL(`../../viewer_plugin/maps/${name}.json`, import.meta.url), 'utf8'));
const map = load('dog_fore');
const { views, items } = template();

test('a shape has one strip per view: open where asked, blind where the view cannot show it', () => {
  assert.deepEqual(fills(items[0], views, reading()), ['open', 'open']);
  assert.deepEqual(fills(items[1], views, reading()), ['open', 'blind']);
});

test('a strip takes the value of its view', () => {
  for (const value of ['normal', 'abnormal', 'variant', 'undetermined']) {
    assert.deepEqual(fills(items[0], views, setObservation(reading(), items[0].id, ML, said(value))), ['open', value]);
  }
  const blind = setObservation(reading(), items[0].id, DPA, said('not_assessable'));
  assert.deepEqual(fills(items[0], views, blind), ['blind', 'open']);
});

test('views of another side do not split the shapes', () => {
  const both = template();
  both.views.push({ uid: 'left', label: 'L DPa', view: 'DPa', side: 'L', orthogonal: [] });
  assert.deepEqual(viewsOfSide(both, 'R').map(v => v.uid), [DPA, ML]);
});

test('a structure that two regions share has a shape for each', () => {
  const carpus = shapeOf(map, { region: 'carpus', structure: 'soft_dorsal' });
  const manus = shapeOf(map, { region: 'manus', structure: 'soft_dorsal' });
  assert.ok(carpus && manus);
  assert.notEqual(carpus.d, manus.d);
});

test('no drawing is offered for another species or region', () => {
  assert.equal(mapFor([map], 'dog', template()), map);
  assert.equal(mapFor([map], 'horse', template()), null);
  const hip = { ...template(), items: items.map(i => ({ ...i, region: 'hip' })) };
  assert.equal(mapFor([map], 'dog', hip), null);
});

test('a study of fore and hind limb has the drawing of the region being read', () => {
  const hind = load('dog_hind');
  assert.equal(mapFor([map, hind], 'dog', template(), 'tarsus'), hind);
  assert.equal(mapFor([map, hind], 'dog', template(), 'carpus'), map);
});

test('the drawing is cut to the regions of the study; the rest of the limb lies around it', () => {
  assert.deepEqual(windowOf(map, ['carpus']), map.windows.carpus);
  const both = windowOf(map, ['carpus', 'elbow']);
  assert.ok(both[1] === map.windows.elbow[1] && both[1] + both[3] === map.windows.carpus[1] + map.windows.carpus[3]);
  const rest = restOfLimb(map, [map.shapes.mc2]);
  assert.ok(rest.includes(map.shapes.scapula.d) && !rest.includes(map.shapes.mc2.d));
});

test('the third and fourth digits are the longest, the dewclaw is medial, for a right paw at the right', () => {
  const tip = name => bounds(map.shapes[name].d);
  assert.ok(tip('d3_p3').bottom > tip('d2_p3').bottom && tip('d4_p3').bottom > tip('d5_p3').bottom);
  assert.ok(tip('d1_p3').left > tip('d2_p1').left && tip('ulna_distal').right < tip('radius_distal').right);
  const numbered = [1, 2, 3, 4, 5, 6, 7, 8].map(n => tip(`sesamoid_${n}`).left);
  assert.deepEqual([...numbered].sort((a, b) => b - a), numbered);
});

test('an arrow key goes to the nearest shape in its direction', () => {
  const centres = [{ id: 'a', x: 0, y: 0 }, { id: 'b', x: 0, y: 10 }, { id: 'c', x: 9, y: 1 }, { id: 'd', x: 2, y: 30 }];
  assert.equal(toward(centres, 'a', 'ArrowDown'), 'b');
  assert.equal(toward(centres, 'a', 'ArrowRight'), 'c');
  assert.equal(toward(centres, 'a', 'ArrowUp'), null);
});

test('turned bounds follow a slanting shape', () => {
  const box = bounds('M0 0L10 10L9 11L-1 1Z', -45);
  assert.ok(box.right - box.left < 1.5, 'narrow across');
  assert.ok(box.bottom - box.top > 14, 'long along');
});

/** So many images of these views, one after the other. */
const taken = (labels, times) => Array.from({ length: times }, (_, n) => labels.map(label => ({ ...views[0], uid: `${label} ${n}`, label: n ? `${label} (${n + 1})` : label }))).flat();

test('up to six images are a strip each; of more, those of one kind are one', () => {
  assert.deepEqual(kindsOf(taken(['DPa'], 6)).map(kind => kind.views.length), [1, 1, 1, 1, 1, 1]);
  assert.deepEqual(kindsOf(taken(['DPa', 'ML'], 20)).map(kind => [kind.label, kind.views.length]), [['DPa', 20], ['ML', 20]]);
});

test('of more than six kinds the rarest are one strip', () => {
  const many = [...taken(['a', 'b', 'c', 'd'], 1), ...taken(['DPa', 'ML', 'o1', 'o2', 'o3'], 3)];
  assert.deepEqual(kindsOf(many).map(kind => [kind.label, kind.views.length]), [['DPa', 3], ['ML', 3], ['o1', 3], ['o2', 3], ['o3', 3], ['', 4]]);
});

test('a strip of many images shows each state that occurs, and one among forty is not lost', () => {
  const many = taken(['DPa'], 40);
  const item = { ...items[0], visibility: Object.fromEntries(many.map(view => [view.uid, 'well'])) };
  const said_ = many.slice(1).reduce((now, view, i) => setObservation(now, item.id, view.uid, said(i ? 'normal' : 'abnormal')), reading());
  const [parts] = strips(item, many, said_);
  assert.deepEqual(parts.map(part => part.state), ['abnormal', 'normal', 'open']);
  assert.ok(parts.every(part => part.weight > 0.1));
  assert.ok(Math.abs(parts.reduce((sum, part) => sum + part.weight, 0) - 1) < 1e-9);
});
