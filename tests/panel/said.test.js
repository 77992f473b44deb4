import assert from 'node:assert/strict';
import { test } from 'node:test';

import { inWords, published, worth } from '../../viewer_plugin/panel/said.js';

const WORDS = {
  'a.wide': 'um {by:.1f} mm, {share:.0%}, {off:+.1f}', 'a.why': 'weil: {why}', 'a.plain': 'so', 'a.wild': '{size:g} von {what}',
  'word.ball': 'Kugel', 'calibration.object': '{object}, {size:g} mm',
};
const known = id => WORDS[id];
const made = (id, values = {}) => ({ text: `the node's ${id}`, id, values });

test('a sentence of the node is said by its id with its values written as the node writes them', () => {
  const said = [made('a.wide', { by: 2, share: 0.347, off: 0.04 })];
  assert.equal(inWords("the node's a.wide", said, known), 'um 2.0 mm, 35\u00a0%, +0.0');
});

test('a sentence inside a sentence is said in the same language', () => {
  const why = made('a.plain');
  assert.equal(inWords("the node's a.why", [made('a.why', { why })], known), 'weil: so');
});

test('numbers that are short as they are stay so, and words stay words', () => {
  const said = [made('a.wild', { size: 0.1500001, what: 'inf' })];
  assert.equal(inWords("the node's a.wild", said, known), '0.15 von inf');
});

test('what is not known here is said as the node says it', () => {
  assert.equal(inWords('of an older node', [], known), 'of an older node');
  assert.equal(inWords("the node's b.new", [made('b.new')], known), "the node's b.new");
  assert.equal(inWords("the node's a.plain", [made('a.plain')], null), "the node's a.plain");
  assert.equal(inWords("the node's a.plain", undefined, known), "the node's a.plain");
  assert.equal(inWords('', [made('a.plain')], known), '');
});

test('what a drawn length is worth is known by its text', () => {
  assert.equal(worth('calibrated by a ball of 25 mm in the image (fiducial)', known), 'Kugel, 25 mm');
  assert.equal(worth('as another maker calls it', known), 'as another maker calls it');
});

test('a published measurement has its German name, its points and its traps; another stays as it is', () => {
  const offer = { kind: 'limb_measurement', name: 'Norberg', title: 'Norberg angle', guidance: 'g', traps: 't', landmarks: [{ id: 'craniolateral_rim', name: 'craniolateral rim', where: 'rim' }, { id: 'new', name: 'new one', where: 'here' }] };
  const german = published(/** @type {any} */ (offer), true);
  assert.equal(german.title, 'Norberg-Winkel');
  assert.deepEqual(german.landmarks.map(mark => mark.name), ['kraniolateraler Pfannenrand', 'new one']);
  assert.equal(published(/** @type {any} */ ({ ...offer, name: 'unknown' }), true).title, 'Norberg angle');
  assert.equal(published(/** @type {any} */ (offer), false), offer);
});
