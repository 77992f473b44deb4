import assert from 'node:assert/strict';
import { test } from 'node:test';

import { setObservation, withFinding, changeFinding } from '../../viewer_plugin/panel/reading.js';
import { coverage, neighbour, nextOpen, openChecks, openViews, ordered, sectionsOf } from '../../viewer_plugin/panel/walk.js';
import { DPA, ML, id, reading, said, template } from './example.js';

test('only views that can show a structure are asked for', () => {
  const counts = coverage(template(), reading());
  assert.deepEqual(counts.sections.bone, [0, 3]);
  assert.deepEqual(counts.sections.alignment, [0, 1]);
  assert.deepEqual(counts.sections.devices, [0, 0]);
  assert.equal(counts.asked, 5);
});

test('an answer on one view counts once', () => {
  const after = setObservation(reading(), id('radius_distal'), DPA, said('normal'));
  assert.deepEqual(coverage(template(), after).sections.bone, [1, 3]);
  assert.deepEqual(openViews(template(), after, template().items[0]).map(v => v.uid), [ML]);
});

test('the search pattern runs from alignment to soft tissue, whatever the order of the items', () => {
  assert.deepEqual(ordered(template()).map(i => i.section), ['alignment', 'bone', 'bone', 'soft_tissue']);
});

test('a site may go through the sections in another order; none is forgotten', () => {
  const own = { ...template(), order: ['soft_tissue', 'bone'] };
  assert.deepEqual(ordered(own).map(i => i.section), ['soft_tissue', 'bone', 'bone', 'alignment']);
  assert.deepEqual(sectionsOf(own), ['soft_tissue', 'bone', 'alignment']);
});

test('next goes on to the next open structure and round again', () => {
  assert.equal(nextOpen(template(), reading(), id('radius_distal'))?.id, id('c1'));
  assert.equal(nextOpen(template(), reading(), id('soft_dorsal'))?.id, id('frontal_axis'));
  const after = setObservation(reading(), id('c1'), DPA, said('normal'));
  assert.equal(nextOpen(template(), after, id('radius_distal'))?.id, id('soft_dorsal'));
});

test('when all is answered there is no next', () => {
  let all = reading();
  for (const item of template().items) {
    for (const [uid, v] of Object.entries(item.visibility)) {
      if (v !== 'no') all = setObservation(all, item.id, uid, said('normal'));
    }
  }
  assert.equal(nextOpen(template(), all, id('c1')), null);
});

test('before the first structure there is none', () => {
  assert.equal(neighbour(template(), id('frontal_axis'), -1), null);
  assert.equal(neighbour(template(), id('c1'), -1)?.id, id('radius_distal'));
});

test('a finding stays open until its orthogonal view is answered', () => {
  const [radius] = template().items;
  const { reading: after, finding } = withFinding(template(), reading(), radius, DPA);
  assert.deepEqual(openChecks(template(), after).map(([f, uid]) => [f.id, uid]), [[finding.id, ML]]);
  const answered = changeFinding(after, finding.id, { cross_check: { [ML]: 'not_seen' } });
  assert.deepEqual(openChecks(template(), answered), []);
});
