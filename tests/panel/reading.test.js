import assert from 'node:assert/strict';
import { test } from 'node:test';

import * as change from '../../viewer_plugin/panel/reading.js';
import { DPA, ML, id, reading, said, template } from './example.js';

const radius = template().items[0];

test('taking the only answer back leaves no trace of the structure', () => {
  const after = change.setObservation(reading(), radius.id, DPA, said('normal'));
  assert.deepEqual(change.setObservation(after, radius.id, DPA, null), reading());
});

test('the old reading is never changed in place', () => {
  const before = Object.freeze(reading());
  Object.freeze(before.observations);
  change.setObservation(before, radius.id, DPA, said('variant'));
  assert.deepEqual(before, reading());
});

test('a second finding on the same structure and view is the same finding', () => {
  const first = change.withFinding(template(), reading(), radius, DPA);
  const again = change.withFinding(template(), first.reading, radius, DPA);
  assert.equal(again.finding.id, first.finding.id);
  assert.equal(again.reading.findings.length, 1);
});

test('a finding in a study without an orthogonal view says so by itself', () => {
  const single = template();
  single.views = [{ ...single.views[0], orthogonal: [] }];
  assert.deepEqual(change.withFinding(single, reading(), radius, DPA).finding.cross_check, { '': 'no_such_view' });
});

test('an orthogonal view that does not include the structure is not asked', () => {
  const soft = template().items[2];
  const { finding } = change.withFinding(template(), reading(), soft, ML);
  assert.deepEqual(finding.cross_check, { '': 'no_such_view' });
});

test('withdrawing abnormal removes the finding, its place in evidence, but not the measurement', () => {
  let r = change.setObservation(reading(), radius.id, DPA, said('abnormal'));
  const made = change.withFinding(template(), r, radius, DPA);
  r = change.changeRuleOut(made.reading, 'fracture', { verdict: 'supported', evidence: [made.finding.id] });
  r = change.putMeasurement(r, { id: 'm', item: radius.id, view: DPA, kind: 'length', points: [[1, 1], [2, 2]], value: 0, unit: 'px', calibration: '', finding: made.finding.id, note: '' });
  r = change.setObservation(r, radius.id, DPA, said('normal'));
  assert.deepEqual(r.findings, []);
  assert.deepEqual(r.rule_outs[0].evidence, []);
  assert.equal(r.measurements[0].finding, '');
});

test('values from the node are taken only for points that are still the same', () => {
  const m = { id: 'm', item: radius.id, view: DPA, kind: 'length', points: [[1, 1], [9, 9]], value: 0, unit: 'px', calibration: '', finding: '', note: '' };
  const mine = change.putMeasurement(reading(), m);
  const theirs = { ...m, value: 1.7, unit: 'mm', calibration: 'detector plane' };
  assert.equal(change.takeValues(mine, [theirs]).measurements[0].value, 1.7);
  const moved = change.putMeasurement(mine, { ...m, points: [[1, 1], [5, 5]] });
  assert.equal(change.takeValues(moved, [theirs]), moved);
});

test('an empty verdict takes a rule-out back', () => {
  const r = change.changeRuleOut(reading(), 'fracture', { verdict: 'excluded' });
  assert.equal(r.rule_outs.length, 1);
  assert.deepEqual(change.changeRuleOut(r, 'fracture', { verdict: '' }).rule_outs, []);
});

test('differentials move by one place and stop at the ends', () => {
  const r = { ...reading(), differentials: ['a', 'b', 'c'] };
  assert.deepEqual(change.moveDifferential(r, 2, -1).differentials, ['a', 'c', 'b']);
  assert.equal(change.moveDifferential(r, 0, -1), r);
});

test('new identifiers fit the data model and differ', () => {
  const ids = Array.from({ length: 200 }, () => change.freshId('f'));
  assert.equal(new Set(ids).size, 200);
  for (const one of ids) assert.match(one, /^[A-Za-z0-9_-]{1,64}$/);
});

test('a view that confirms a finding is abnormal itself, and one that cannot tell is not assessable', () => {
  const made = change.withFinding(template(), reading(), radius, DPA);
  const yes = change.answerCrossCheck(made.reading, radius, made.finding, ML, 'confirmed');
  assert.equal(yes.findings[0].cross_check[ML], 'confirmed');
  assert.equal(change.observation(yes, radius.id, ML).value, 'abnormal');
  const blind = change.answerCrossCheck(made.reading, radius, made.finding, ML, 'not_assessable');
  assert.equal(change.observation(blind, radius.id, ML).value, 'not_assessable');
  const no = change.answerCrossCheck(made.reading, radius, made.finding, ML, 'not_seen');
  assert.equal(change.observation(no, radius.id, ML), undefined);
});

test('what was measured before its structure was called abnormal can go to the finding', () => {
  const measured = more => /** @type {any} */ ({ id: 'c-1', item: radius.id, view: DPA, kind: 'length', points: [], value: 2, unit: 'mm', calibration: '', finding: '', note: '', ...more });
  const before = { ...reading(), measurements: [measured({}), measured({ id: 'c-2', item: 'R.carpus.c1' })] };
  const made = change.withFinding(template(), before, radius, DPA);
  assert.deepEqual(change.unattached(made.reading, made.finding).map(m => m.id), ['c-1']);
  const taken = change.attach(made.reading, 'c-1', made.finding.id);
  assert.deepEqual(taken.measurements.map(m => m.finding), [made.finding.id, '']);
  assert.deepEqual(change.unattached(taken, made.finding), []);
});
