import assert from 'node:assert/strict';
import { test } from 'node:test';

import { redo, undo } from '../../viewer_plugin/panel/redo.js';

/** As much of a session as undoing needs. */
function session() {
  const one = {
    reading: { n: 0 }, item: 'a', section: 'bone', view: '', signed: false, message: '', past: [], saved: [],
    queue: { put: reading => one.saved.push(reading) },
    update: fields => Object.assign(one, fields),
    remember: () => one.past.push(one.reading),
    enter: n => { one.remember(); one.reading = { n }; },
    undo: () => { if (one.past.length) one.reading = one.past.pop(); },
  };
  return one;
}

test('two steps are undone and done again in order', () => {
  const one = session();
  one.enter(1);
  one.enter(2);
  for (const [step, n] of [[undo, 1], [undo, 0], [redo, 1], [redo, 2]]) {
    step(one);
    assert.equal(one.reading.n, n);
  }
  assert.equal(one.saved.at(-1).n, 2);
  undo(one);
  assert.equal(one.reading.n, 1);
});

test('a new entry leaves behind what was undone', () => {
  const one = session();
  one.enter(1);
  undo(one);
  one.enter(5);
  redo(one);
  assert.equal(one.reading.n, 5);
  assert.match(one.message, /nothing/);
});
