import assert from 'node:assert/strict';
import { test } from 'node:test';

import { LimbOutline } from '../../viewer_plugin/panel/limb_outline.js';
import { proposed } from '../../viewer_plugin/panel/proposing.js';
import { courseOf, proposedAcross } from '../../viewer_plugin/panel/proposing_across.js';

/** @typedef {[number, number]} Point */
const near = (a, b, by = 1e-6) => assert.ok(Math.hypot(a[0] - b[0], a[1] - b[1]) <= by, `${a} is not ${b}`);
const turn = (/** @type {Point} */ [x, y], degrees) => {
  const [c, s] = [Math.cos((degrees * Math.PI) / 180), Math.sin((degrees * Math.PI) / 180)];
  return /** @type {Point} */ ([c * x - s * y, s * x + c * y]);
};
const rows = Array.from({ length: 51 }, (_, i) => 20 * i);
/** A limb down an image, 200 wide; where `cut`, its first side has left the field. */
const limbOf = ({ degrees = 0, cut = false, backwards = false } = {}) => {
  const line = across => rows.map(y => turn([across, y], degrees));
  const first = line(-100).filter((_, i) => !cut || i < 20 || i > 30);
  return new LimbOutline(backwards ? line(0).reverse() : line(0), [first, line(100)]);
};
const level = (id, y, x = 150, straight = true) => ({ ids: [id], places: /** @type {Point[]} */ ([[x, y]]), x, y, straight });
const pair = { ids: ['m', 'l'], places: /** @type {Point[]} */ ([[190, 300], [110, 300]]), x: 150, y: 300, straight: true };
const LEVELS = [level('a', 100), level('b', 200), pair, level('c', 500)];
const ENDS = /** @type {Record<string, Point>} */ ({ a: [0, 200], c: [0, 1000] });

test('what lies between two set landmarks is proposed in the proportions of the map, whichever way the limb lies', () => {
  near(proposed(LEVELS, ENDS, limbOf(), null).b, [0, 400]);
  near(proposed(LEVELS, ENDS, limbOf({ backwards: true }), null).b, [0, 400]);
  const set = { a: turn([0, 200], 35), c: turn([0, 1000], 35) };
  near(proposed(LEVELS, set, limbOf({ degrees: 35 }), null).b, turn([0, 400], 35), 0.1);
});

test('proposals keep the distance from the middle of the limb that the set ones have', () => {
  near(proposed(LEVELS, { a: [40, 200], c: [-40, 1000] }, limbOf(), null).b, [20, 400]);
});

test('a row of two is proposed where medial is known, to its side', () => {
  assert.equal(proposed(LEVELS, ENDS, limbOf(), null).m, undefined);
  near(proposed(LEVELS, ENDS, limbOf(), [1, 0]).m, [80, 600]);
  near(proposed(LEVELS, ENDS, limbOf(), [-1, 0]).m, [-80, 600]);
});

test('nothing is proposed from one level, above or below the set ones, or too near to one of them', () => {
  assert.deepEqual(proposed(LEVELS, { a: [0, 200] }, limbOf(), [1, 0]), {});
  assert.deepEqual(Object.keys(proposed(LEVELS, { b: [0, 400], m: [80, 600], l: [-80, 600] }, limbOf(), [1, 0])), []);
  assert.deepEqual(proposed([level('a', 100), level('b', 160), level('c', 500)], ENDS, limbOf(), null), {});
  assert.deepEqual(proposed(LEVELS, { a: [0, 500], c: [0, 510] }, limbOf(), null), {});
});

test('nothing is proposed where no limb was found, off it, or where its outline is not known', () => {
  assert.deepEqual(proposed(LEVELS, ENDS, null, [1, 0]), {});
  const wide = [level('a', 100), { ...pair, places: /** @type {Point[]} */ ([[205, 300], [95, 300]]) }, level('c', 500)];
  assert.deepEqual(proposed(wide, ENDS, limbOf(), [1, 0]), {});
  const at = level('d', 250);
  assert.ok(proposed([LEVELS[0], at, LEVELS[3]], ENDS, limbOf(), null).d);
  assert.deepEqual(proposed([LEVELS[0], at, LEVELS[3]], ENDS, limbOf({ cut: true }), null), {});
});

test('a point is off the limb only where its outline is known', () => {
  const [whole, cut] = [limbOf(), limbOf({ cut: true })];
  assert.equal(whole.off([0, 500]), false);
  assert.equal(whole.off([-105, 500]), false);
  assert.equal(whole.off([-140, 500]), true);
  assert.equal(cut.off([-140, 500]), false);
  assert.equal(cut.off([140, 500]), true);
  assert.equal(cut.off([-140, 200]), true);
  assert.equal(whole.off([0, 1030]), false);
  assert.equal(whole.off([0, 1100]), true);
});

/** On another image, half a millimetre a pixel, the levels lie so far apart. */
const COURSE = courseOf(LEVELS, { a: [300, 100], b: [300, 300], m: [340, 500], l: [260, 500], c: [300, 900] }, 0.5);
const across = more => ({ course: COURSE, mm: 0.25, right: null, down: /** @type {Point} */ ([0, 1]), ...more });

test('one level is enough where another image of the study says how far apart they lie', () => {
  assert.deepEqual(COURSE.map(({ mm }) => mm), [0, 100, 200, 400]);
  const two = [LEVELS[0], LEVELS[1]];
  near(proposedAcross(two, { a: [20, 100] }, limbOf(), across({})).b, [20, 500]);
  near(proposedAcross(two, { b: [20, 500] }, limbOf(), across({})).a, [20, 100]);
  near(proposedAcross(two, { a: [20, 100] }, limbOf({ backwards: true }), across({})).b, [20, 500]);
  const found = proposedAcross(LEVELS, { a: [0, 100] }, limbOf(), across({ right: [1, 0], mm: 0.5 }));
  near(found.m, [80, 500]);
  near(found.c, [0, 900]);
});

test('nothing is proposed across where the lower end, a scale, the course or the limb is not known', () => {
  const two = [LEVELS[0], LEVELS[1]];
  for (const more of [{ down: null }, { down: [1, 0] }, { mm: 0 }, { course: [] }]) assert.deepEqual(proposedAcross(two, { a: [20, 100] }, limbOf(), across(more)), {});
  assert.deepEqual(proposedAcross(two, { a: [20, 100] }, null, across({})), {});
  assert.deepEqual(proposedAcross(two, {}, limbOf(), across({})), {});
  assert.deepEqual(proposedAcross([...two, level('far', 900)], { a: [20, 100], b: [20, 500] }, limbOf(), across({})), {});
  assert.deepEqual(proposedAcross([two[0], level('b', 200, 150, false)], { a: [20, 100] }, limbOf(), across({})), {}, 'the joint may be bent');
  assert.deepEqual(proposedAcross(two, { a: [20, 900] }, limbOf(), across({})), {}, 'below the end of what is seen');
});
