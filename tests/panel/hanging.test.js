import assert from 'node:assert/strict';
import { test } from 'node:test';

import { grid, inOrder, protocol, viewRank } from '../../viewer_plugin/host/hanging.js';

test('frontal before lateral before stressed before oblique', () => {
  assert.deepEqual(['DPa', 'ML', 'stress ML', 'D45L-PaMO'].map(viewRank), [0, 1, 2, 3]);
});

test('a lateral view that was stored first is hung second', () => {
  const facts = new Map([['a', { view: 'ML', side: 'R' }], ['b', { view: 'CrCd', side: 'R' }]]);
  assert.deepEqual(inOrder([{ uid: 'a' }, { uid: 'b' }], facts).map(i => i.uid), ['b', 'a']);
});

test('right before left, each frontal first', () => {
  const facts = new Map([['1', { view: 'ML', side: 'L' }], ['2', { view: 'DPa', side: 'L' }], ['3', { view: 'ML', side: 'R' }], ['4', { view: 'DPa', side: 'R' }]]);
  const images = ['1', '2', '3', '4'].map(uid => ({ uid }));
  assert.deepEqual(inOrder(images, facts).map(i => i.uid), ['4', '3', '2', '1']);
});

test('without the node the words of the header decide', () => {
  const images = [{ uid: 'a', position: 'ML', laterality: 'R' }, { uid: 'b', position: 'DPa', laterality: 'R' }];
  assert.deepEqual(inOrder(images, new Map()).map(i => i.uid), ['b', 'a']);
});

test('one, two, three, four and five images', () => {
  assert.deepEqual([0, 1, 2, 3, 4, 5].map(n => Object.values(grid(n)).join('x')), ['1x1', '1x1', '1x2', '2x2', '2x2', '2x2']);
  const five = protocol(['a', 'b', 'c', 'd', 'e']).stages[0].viewports;
  assert.equal(five.length, 4);
  const three = protocol(['a', 'b', 'c']).stages[0].viewports;
  assert.deepEqual(three.map(v => v.displaySets.length), [1, 1, 1, 0]);
});

test('three upright images stand side by side where the place is broad', () => {
  assert.deepEqual([grid(3, 1.2), grid(3, 1.3), grid(4, 1.3)].map(one => Object.values(one).join('x')), ['2x2', '1x3', '2x2']);
  assert.equal(protocol(['a', 'b', 'c'], 1.5).stages[0].viewports.length, 3);
});
