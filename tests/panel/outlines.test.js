import assert from 'node:assert/strict';
import { test } from 'node:test';

import { FakeHost } from '../../viewer_plugin/host/fake.js';
import { marks } from '../../viewer_plugin/host/layer.js';
import { axesOf, ellipse, lineOf, middleOf, movedTo, pulled, scaled, traced, turned, within } from '../../viewer_plugin/panel/outline_shape.js';
import { outlinesOf } from '../../viewer_plugin/panel/outlines.js';
import { setObservation } from '../../viewer_plugin/panel/reading.js';
import { DPA, ML, id, reading, said, template } from './example.js';

const near = (a, b, by = 0.2) => assert.ok(Math.abs(a - b) <= by, `${a} is not ${b}`);
const ring = ellipse({ centre: [100, 50], a: 20, b: 10, turn: 0.3 });

test('an ellipse is the ends of its two axes, and comes back as it went in', () => {
  const { centre, a, b, turn } = axesOf(ring);
  [centre[0], centre[1], a, b, turn].forEach((v, i) => near(v, [100, 50, 20, 10, 0.3][i]));
  for (const [x, y] of lineOf(ring)) assert.ok(Math.hypot(x - 100, y - 50) <= 20.2);
});

test('it is moved, resized along its own axes, turned and pulled, and stays an ellipse', () => {
  assert.deepEqual(middleOf(movedTo(ring, [7, 9])).map(Math.round), [7, 9]);
  const wide = axesOf(scaled(ring, 2, 1));
  near(wide.a, 40);
  near(wide.b, 10);
  near(axesOf(turned(ring, 10)).turn, 0.3 + Math.PI / 18, 0.02);
  const drawn = axesOf(pulled(ring, 'b', [100, 90]));
  near(drawn.b, 40);
  near(drawn.a, 20);
  near(Math.abs(Math.cos(drawn.turn)), 1, 0.01);
});

test('nothing of it leaves the image, however large it was made', () => {
  for (const shape of [movedTo(ring, [-50, 500]), scaled(ring, 40, 40), { kind: 'outline', points: [[-9, -9], [900, 4], [3, 900]] }]) {
    for (const [x, y] of within(shape, { columns: 200, rows: 100 }).points) assert.ok(x >= -0.1 && x <= 200.1 && y >= -0.1 && y <= 100.1, `${x} ${y}`);
  }
});

test('a line drawn freely becomes few corners; a click is no line', () => {
  const round = Array.from({ length: 300 }, (_, i) => [100 + 30 * Math.cos(i / 48), 100 + 30 * Math.sin(i / 48)]);
  const made = traced(round);
  assert.ok(made.points.length <= 40 && made.points.length > 20);
  for (const [x, y] of made.points) near(Math.hypot(x - 100, y - 100), 30, 0.5);
  assert.equal(traced([[1, 1]]), null);
  assert.equal(traced([[1, 1], [1, 2], [2, 2], [1, 1]]), null);
});

function bench(more = {}) {
  const session = {
    signed: false, walking: true, side: 'R', section: 'bone', item: id('radius_distal'), view: DPA, editing: '', template: template(), reading: reading(), undo: [],
    measuring: { close() {} }, opening: { facts: { images: [{ uid: DPA, columns: 400, rows: 500 }, { uid: ML, columns: 400, rows: 500 }] } },
    priors: { answer: null },
    get currentItem() { return this.template.items.find(one => one.id === this.item); },
    update(change = {}) { Object.assign(this, change); },
    commit(next, message = '') { this.undo.push(this.reading); this.reading = next; this.message = message; },
    ...more,
  };
  return { session, host: new FakeHost([DPA, ML]), outlines: outlinesOf(/** @type {any} */ (session)) };
}

test('placing one calls the structure a variant there; moved by keys, by the hand and by a drawn line', () => {
  const { session, host, outlines } = bench();
  outlines.open(host);
  assert.equal(session.reading.observations[id('radius_distal')][DPA].value, 'variant');
  assert.deepEqual(middleOf(outlines.current), [150, 180]);
  outlines.step(host, 'place', [1, 0], true);
  outlines.step(host, 'size', [0, -1], true);
  outlines.step(host, 'turn', [1, 0], true);
  assert.deepEqual(middleOf(outlines.current).map(Math.round), [170, 180]);
  outlines.place({ uid: ML, point: [1, 1] });
  assert.match(session.message, /another image/);
  outlines.place({ uid: DPA, point: [60, 70], path: [[60, 70]] });
  assert.deepEqual(middleOf(outlines.current).map(Math.round), [60, 70]);
  outlines.handle({ type: 'moved', id: `${outlines.editing}|place`, point: [90, 90] });
  outlines.rename('nutrient foramen');
  const [one] = session.reading.outlines;
  assert.equal(one.name, 'nutrient foramen');
  const layer = outlines.layer();
  assert.equal(layer.handles.length, 3);
  assert.equal(layer.labels[0].text, 'nutrient foramen, normal variant');
  outlines.close();
  assert.equal(outlines.layer().shapes[0].tone, 'dim');
  const drawn = marks(outlines.layer(), DPA, p => p, { width: 400, height: 500 });
  assert.ok(drawn.some(mark => mark.text === 'nutrient foramen, normal variant'));
  outlines.toggle();
  assert.deepEqual(outlines.layer(), { shapes: [], labels: [], handles: [] });
});

test('the plate of a label is as wide as its text, and stays on the image', () => {
  const label = x => ({ shapes: [], handles: [], labels: [{ uid: DPA, point: /** @type {[number, number]} */ ([x, 50]), text: 'illi', tone: /** @type {const} */ ('now') }] });
  const plate = (x, wide) => marks(label(x), DPA, p => p, { width: 400, height: 500 }, () => wide)[0].attributes;
  assert.equal(plate(10, 14).width, '24');
  assert.equal(plate(10, 180).width, '190');
  const atEdge = plate(390, 180);
  assert.ok(Number(atEdge.x) + Number(atEdge.width) <= 400);
});

test('it goes with the word variant, and what is abnormal gets none', () => {
  const { session, host, outlines } = bench();
  outlines.open(host);
  const normal = setObservation(session.reading, id('radius_distal'), DPA, said('normal'));
  assert.deepEqual(normal.outlines, []);
  assert.equal(setObservation(session.reading, id('radius_distal'), ML, said('normal')).outlines.length, 1);
  outlines.close();
  session.reading = setObservation(reading(), id('radius_distal'), DPA, said('abnormal'));
  outlines.open(host);
  assert.equal(outlines.active, false);
  assert.match(session.message, /abnormal/);
});

test('an earlier outline lies on the image of its own study, with its date', () => {
  const { outlines } = bench({ priors: { answer: { observations: { [id('radius_distal')]: [{ study_date: '20260202', outlines: [{ image_uid: '9.9', view: 'DPa', name: 'nutrient foramen', ...ring }] }] } } } });
  assert.equal(outlines.layer().labels[0].text, 'nutrient foramen, seen on 2026-02-02');
  assert.equal(outlines.layer().shapes[0].uid, '9.9');
  assert.equal(outlines.count(new Set(['9.9'])), 1);
  assert.equal(outlines.count(new Set([DPA])), 0);
});
