import assert from 'node:assert/strict';
import { test } from 'node:test';

import { fields, matches, offered, toggled } from '../../viewer_plugin/panel/fields.js';

const word = (id, field, more = {}) => ({ id, label: id.replaceAll('_', ' '), field, exclusive: false, under: [], kinds: [], regions: [], species: [], note: '', ...more });
const words = [
  word('short', 'zone', { exclusive: true }), word('long', 'zone', { exclusive: true }),
  word('fracture_line', 'fracture'), word('chip', 'fracture'),
  word('transverse', 'course', { exclusive: true, under: ['fracture_line'] }), word('oblique', 'course', { exclusive: true, under: ['fracture_line'] }),
  word('displaced', 'displacement', { under: ['fracture_line', 'chip'] }), word('overriding', 'kind of displacement', { under: ['displaced'] }),
  word('bipartite', 'number of parts', { kinds: ['sesamoid'] }), word('foal_only', 'axis', { species: ['horse'] }), word('hip_only', 'axis', { regions: ['hip'] }),
];
const radius = { kind: 'bone', region: 'carpus' };
const names = list => list.map(f => f.name);
const ofDog = offered(words, radius, 'dog');

test('only what fits kind, region and species is offered', () => {
  const ids = (item, species) => offered(words, item, species).map(d => d.id);
  assert.ok(!ids(radius, 'dog').some(id => ['bipartite', 'foal_only', 'hip_only'].includes(id)));
  assert.ok(ids({ kind: 'sesamoid', region: 'carpus' }, 'dog').includes('bipartite'));
  assert.ok(ids({ kind: 'bone', region: 'hip' }, 'horse').includes('hip_only'));
  assert.ok(ids(radius, 'horse').includes('foal_only'));
});

test('a field under a choice appears below it once that is made', () => {
  assert.deepEqual(names(fields(ofDog, [])), ['fracture', 'zone']);
  const open = fields(ofDog, ['fracture_line', 'displaced']);
  assert.deepEqual(names(open), ['fracture', 'course', 'displacement', 'kind of displacement', 'zone']);
  assert.deepEqual(open.map(f => f.depth), [0, 1, 1, 2, 0]);
});

test('an exclusive field holds one word', () => {
  assert.deepEqual(toggled(ofDog, ['short', 'chip'], 'long'), ['chip', 'long']);
  assert.deepEqual(toggled(ofDog, ['chip'], 'fracture_line'), ['chip', 'fracture_line']);
  assert.deepEqual(toggled(ofDog, ['long'], 'long'), []);
});

test('what hung on a word goes with it, through all levels, unless another word holds it', () => {
  assert.deepEqual(toggled(ofDog, ['fracture_line', 'transverse', 'displaced', 'overriding'], 'fracture_line'), []);
  assert.deepEqual(toggled(ofDog, ['fracture_line', 'chip', 'displaced'], 'fracture_line'), ['chip', 'displaced']);
});

test('a word found by searching needs no parent, and stays in sight', () => {
  assert.deepEqual(toggled(ofDog, [], 'transverse'), ['transverse']);
  assert.ok(names(fields(ofDog, ['transverse'])).includes('course'));
  assert.deepEqual(toggled(ofDog, ['transverse'], 'chip'), ['transverse', 'chip']);
});

test('the most used fields come first, after those made for this kind of structure', () => {
  const sesamoid = offered(words, { kind: 'sesamoid', region: 'carpus' }, 'dog');
  assert.deepEqual(names(fields(sesamoid, [], { long: 9 })), ['number of parts', 'zone', 'fracture']);
});

test('a field says what is chosen in it', () => {
  const zone = fields(ofDog, ['long']).find(f => f.name === 'zone');
  assert.deepEqual(zone.chosen.map(d => d.id), ['long']);
  assert.ok(zone.exclusive);
});

test('the search prefers beginnings and covers everything that is offered', () => {
  assert.deepEqual(matches(ofDog, 'tra').map(d => d.id), ['transverse']);
  assert.deepEqual(matches(ofDog, 'line').map(d => d.id), ['fracture_line']);
  assert.deepEqual(matches(ofDog, 'kind').map(d => d.id), ['overriding']);
  assert.deepEqual(matches(ofDog, ' '), []);
  assert.deepEqual(matches(ofDog, 'bipartite'), []);
});
