import assert from 'node:assert/strict';
import { test } from 'node:test';

import { superseded } from '../../viewer_plugin/panel/versions.js';

const report = uid => ({ role: 'report', kind: 'final', sop_instance_uid: uid });
const session = (prevailing, more = {}) => ({ documents: [report('1'), report('2'), { role: 'pdf', sop_instance_uid: '3' }], opening: { prevailing, ...more } });
const counts = { sop_instance_uid: '2', kind: 'correction', number: 2, of: 2, signed_by: 'Vet^Vera^^Dr', signed_at: '2026-11-04T10:50:00' };

test('a report that is on the screen says when another version counts', () => {
  assert.equal(superseded(session(counts), '2'), '');
  assert.match(superseded(session(counts), '1'), /^Replaced\. Version 2 of 2 counts: corrected, Dr Vera Vet, 2026-11-04/);
});

test('every version of a withdrawn report says that none is to be used', () => {
  for (const uid of ['1', '2']) assert.equal(superseded(session({ ...counts, withdrawn: true }), uid), 'Withdrawn: none of the 2 versions is to be used.');
});

test('one that a newer version elsewhere follows says so, also when it was the newest here', () => {
  const newer = { signed_by: 'Brandt^Otto^^Dr', signed_at: '2026-11-05T08:00:00' };
  assert.match(superseded(session(counts, { newer_in_archive: [newer] }), '2'), /Dr Otto Brandt/);
});

test('of another document nothing is said', () => {
  assert.equal(superseded(session(counts), '3'), '');
  assert.equal(superseded(session(null), '1'), '');
});
