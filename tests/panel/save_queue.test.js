import assert from 'node:assert/strict';
import { test } from 'node:test';

import { SaveQueue } from '../../viewer_plugin/panel/save_queue.js';

const settle = () => new Promise(resolve => setImmediate(resolve));

/** A queue whose node answers when the test says so. */
function bench() {
  const calls = [];
  const states = [];
  const alarms = [];
  const queue = new SaveQueue({
    send: (version, content) => new Promise((answer, fail) => calls.push({ version, content, answer, fail })),
    onChange: q => states.push(q.state),
    timers: { set: (fn, ms) => alarms.push({ fn, ms }) - 1, clear: id => (alarms[id].fn = () => {}) },
  });
  const ok = async call => {
    call.answer({ version: call.version + 1, saved_at: '2026-11-04T10:41:07Z', reading: {} });
    await settle();
  };
  const fail = async (call, status, more = {}) => {
    call.fail(Object.assign(new Error('no'), { status, passing: status === 0 || status >= 502, ...more }));
    await settle();
  };
  return { queue, calls, states, alarms, ok, fail };
}

test('one request is on its way, and only the newest of what came meanwhile follows', async () => {
  const { queue, calls, ok } = bench();
  queue.put('a');
  queue.put('b');
  queue.put('c');
  assert.deepEqual(calls.map(c => c.content), ['a']);
  await ok(calls[0]);
  assert.deepEqual(calls.map(c => [c.version, c.content]), [[0, 'a'], [1, 'c']]);
  await ok(calls[1]);
  assert.equal(queue.state, 'saved');
  assert.ok(queue.clean);
});

test('without a network it waits longer each time and sends the newest content', async () => {
  const { queue, calls, alarms, fail, ok } = bench();
  queue.put('a');
  await fail(calls[0], 0);
  assert.equal(queue.state, 'waiting');
  assert.equal(queue.unsaved, 'a');
  alarms[0].fn();
  await fail(calls[1], 503);
  assert.deepEqual(alarms.map(a => a.ms), [1000, 2000]);
  queue.put('b');
  assert.equal(calls[2].content, 'b');
  await ok(calls[2]);
  assert.equal(queue.state, 'saved');
});

test('content put while a request fails is not replaced by the older one', async () => {
  const { queue, calls, fail } = bench();
  queue.put('old');
  queue.put('new');
  await fail(calls[0], 0);
  assert.equal(queue.unsaved, 'new');
});

test('a conflict holds everything until the reader decides', async () => {
  const { queue, calls, fail } = bench();
  queue.put('mine');
  await fail(calls[0], 412, { problem: { current: 7 } });
  assert.equal(queue.state, 'conflict');
  queue.put('mine too');
  queue.flush();
  assert.equal(calls.length, 1);
  queue.keepMine(7);
  assert.deepEqual([calls[1].version, calls[1].content], [7, 'mine too']);
});

test('taking the other version leaves nothing to be sent', async () => {
  const { queue, calls, fail } = bench();
  queue.put('mine');
  await fail(calls[0], 412, { problem: { current: 7 } });
  queue.takeTheirs(7);
  assert.ok(queue.clean);
  assert.equal(queue.version, 7);
});

test('signed out, it goes on trying and loses nothing', async () => {
  const { queue, calls, alarms, fail, ok } = bench();
  queue.put('a');
  await fail(calls[0], 401);
  assert.equal(queue.state, 'signedOut');
  alarms[0].fn();
  await ok(calls[1]);
  assert.equal(queue.state, 'saved');
});

test('what the node refuses is kept, and the next change is tried', async () => {
  const { queue, calls, alarms, fail, ok } = bench();
  queue.put('wrong');
  await fail(calls[0], 422);
  assert.equal(queue.state, 'refused');
  assert.equal(alarms.length, 0);
  assert.equal(queue.unsaved, 'wrong');
  queue.put('right');
  await ok(calls[1]);
  assert.equal(queue.state, 'saved');
});

test('flushing never sends two requests with the same version', async () => {
  const { queue, calls, alarms, ok, fail } = bench();
  queue.put('a');
  queue.put('b');
  queue.flush();
  assert.equal(calls.length, 1);
  await ok(calls[0]);
  await fail(calls[1], 0);
  queue.flush();
  assert.deepEqual([calls[2].version, calls[2].content], [1, 'b']);
  alarms[0].fn();
  assert.equal(calls.length, 3, 'the alarm was taken back');
});
