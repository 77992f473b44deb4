import assert from 'node:assert/strict';
import { test } from 'node:test';

import { ApiError } from '../../viewer_plugin/panel/api.js';
import { setObservation } from '../../viewer_plugin/panel/reading.js';
import { Sender } from '../../viewer_plugin/panel/sender.js';
import { DPA, ML, id, reading, said } from './example.js';

/** What the panel leaves out the node fills in. */
function withDefaults(content) {
  const seen = Object.entries(content.observations).map(([item, views]) => [item, Object.fromEntries(
    Object.entries(views).map(([view, one]) => [view, { by_group: false, ...one }]))]);
  return { landmarks: {}, prior_landmarks: {}, outlines: [], findings_generated: '', ...content, observations: Object.fromEntries(seen) };
}

/** A node that keeps versions and can lose its answers. */
class Node {
  version = 0;
  reading = reading();
  loseAnswer = false;

  async open() {
    return { version: this.version, reading: this.reading, gaps: [] };
  }

  async save(_study, version, content) {
    if (version !== this.version) throw new ApiError(412, 'Saved by another tab.', { current: this.version });
    this.version += 1;
    this.reading = withDefaults(JSON.parse(JSON.stringify(content)));
    if (this.loseAnswer) throw new ApiError(0, 'The node does not answer.');
    return { version: this.version, reading: content, gaps: [], saved_at: 'now' };
  }
}

const first = setObservation(reading(), id('c1'), DPA, said('normal'));
const second = setObservation(first, id('radius_distal'), ML, said('variant'));

test('when only the answer was lost, the same content counts as saved', async () => {
  const node = new Node();
  const sender = new Sender(node, '1');
  node.loseAnswer = true;
  await assert.rejects(sender.save(0, first));
  node.loseAnswer = false;
  assert.equal((await sender.save(0, first)).version, 1);
  assert.equal(node.version, 1, 'it was not written twice');
});

test('newer content follows our own version whose answer was lost', async () => {
  const node = new Node();
  const sender = new Sender(node, '1');
  node.loseAnswer = true;
  await assert.rejects(sender.save(0, first));
  node.loseAnswer = false;
  assert.equal((await sender.save(0, second)).version, 2);
  assert.deepEqual(node.reading, withDefaults(second));
});

test('a version by somebody else is a conflict and is not overwritten', async () => {
  const node = new Node();
  await node.save('1', 0, { ...reading(), impression: 'theirs' });
  await assert.rejects(new Sender(node, '1').save(0, first), { status: 412 });
  assert.equal(node.reading.impression, 'theirs');
});
