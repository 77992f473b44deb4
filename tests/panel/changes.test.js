import assert from 'node:assert/strict';
import { test } from 'node:test';

import { Changes, isTold, withStatement } from '../../viewer_plugin/panel/changes.js';

const length = (id, value) => ({ id, item: 'R.carpus.radius_distal', view: 'v', kind: 'length', points: [[0, 0], [1, value]], value, unit: 'mm' });

function asked() {
  const calls = [];
  const later = [];
  const ask = async list => {
    calls.push(list.map(m => m.id));
    return { changes: list.map(({ id, value }) => ({ id, against: [], series: [], value })) };
  };
  let drawn = 0;
  const changes = new Changes(ask, () => (drawn += 1), fn => later.push(fn));
  return { changes, calls, later, drawn: () => drawn };
}

test('all measurements of one drawing are asked about at once, and each state only once', async () => {
  const { changes, calls, later, drawn } = asked();
  assert.equal(changes.of(length('a', 8)), null);
  assert.equal(changes.of(length('b', 9)), null);
  changes.of(length('a', 8));
  await later.shift()();
  assert.deepEqual(calls, [['a', 'b']]);
  assert.equal(drawn(), 1);
  assert.equal(changes.of(length('a', 8)).value, 8);
  assert.equal(later.length, 0);
});

test('while a moved measurement is asked about anew, the answer of before stays', async () => {
  const { changes, calls, later } = asked();
  changes.of(length('a', 8));
  await later.shift()();
  assert.equal(changes.of(length('a', 8.5)).value, 8);
  await later.shift()();
  assert.equal(changes.of(length('a', 8.5)).value, 8.5);
  assert.equal(calls.length, 2);
});

test('when earlier studies come in, everything is asked anew', async () => {
  const { changes, calls, later } = asked();
  changes.of(length('a', 8));
  await later.shift()();
  changes.forget();
  assert.equal(changes.of(length('a', 8)).value, 8);
  await later.shift()();
  assert.equal(calls.length, 2);
});

test('a node that is away is a sentence, not a crash', async () => {
  const later = [];
  const changes = new Changes(async () => { throw new Error('no answer'); }, () => {}, fn => later.push(fn));
  changes.of(length('a', 8));
  await later.shift()();
  assert.equal(changes.of(length('a', 8)).error, 'no answer');
});

test('a statement goes into the note behind what stands there, and out again', () => {
  const words = 'Compared with 2026-02-02 (22.50 mm): 3.0 mm more than before.';
  const note = withStatement('Measured twice.', words);
  assert.equal(note, `Measured twice. ${words}`);
  assert.ok(isTold(note, words));
  assert.equal(withStatement(note, words), 'Measured twice.');
  assert.ok(!isTold('', ''));
});
