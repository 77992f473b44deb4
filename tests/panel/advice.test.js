import assert from 'node:assert/strict';
import { test } from 'node:test';

import * as advice from '../../viewer_plugin/panel/advice.js';
import { changeRuleOut, setObservation } from '../../viewer_plugin/panel/reading.js';
import { difference, doubt } from '../../viewer_plugin/panel/images.js';
import { DPA, id, reading, said } from './example.js';

const proposal = { condition: 'fracture', verdict: 'possible', evidence: ['f-1', id('c1')] };

test('taking over sets verdict and evidence, and leaves out what is gone', () => {
  const seen = setObservation(reading(), id('c1'), DPA, said('normal'));
  const after = advice.takeOver(seen, proposal);
  assert.deepEqual(after.rule_outs, [{ id: 'fracture', verdict: 'possible', evidence: [id('c1')], note: '' }]);
  assert.ok(advice.agrees(after, proposal));
});

test('another verdict, or the same without its evidence, does not agree', () => {
  const seen = setObservation(reading(), id('c1'), DPA, said('normal'));
  assert.ok(!advice.agrees(seen, proposal));
  assert.ok(!advice.agrees(changeRuleOut(seen, 'fracture', { verdict: 'supported', evidence: [id('c1')] }), proposal));
  assert.ok(!advice.agrees(changeRuleOut(seen, 'fracture', { verdict: 'possible' }), proposal));
});

test('the proposed order keeps what the reader has added', () => {
  assert.deepEqual(advice.proposedOrder(['sprain', 'tumour'], ['tumour', 'infection']), ['tumour', 'infection', 'sprain']);
});

test('differentials are shown by the names of their conditions', () => {
  const known = { ...advice.NO_ADVICE, proposals: [{ condition: 'bone_tumour', name: 'primary bone tumour' }], differentials: ['bone_tumour', 'not_known'] };
  assert.deepEqual(advice.proposedNames(known), ['primary bone tumour', 'not known']);
});

test('a step becomes a sentence of its own, once', () => {
  const step = { name: 'Add oblique views' };
  const first = advice.addStep({ ...reading(), recommendations: 'Rest. ' }, step);
  assert.equal(first.recommendations, 'Rest.\nAdd oblique views.');
  assert.equal(advice.addStep(first, step), first);
  assert.equal(advice.addStep(reading(), step).recommendations, 'Add oblique views.');
});

test('the merged text falls into pieces with their marks, and nothing of it is lost', () => {
  const text = 'Mine. New one. Rest.';
  const merged = { text, generated: '', marks: [{ kind: 'removed', text: 'Old.', start: 5, end: 5 }, { kind: 'added', text: 'New one.', start: 6, end: 14 }] };
  assert.deepEqual(advice.pieces(merged).map(p => [p.kind, p.text]), [['', 'Mine.'], ['removed', 'Old.'], ['', ' '], ['added', 'New one.'], ['', ' Rest.']]);
  assert.equal(advice.pieces(merged).filter(p => p.kind !== 'removed').map(p => p.text).join(''), text);
});

test('taking over and keeping both settle the question', () => {
  const merged = { text: 'All of it.', generated: 'Node.', marks: [] };
  const own = { ...reading(), findings_text: 'Mine.', findings_generated: 'Before.' };
  assert.deepEqual([advice.takeMerged(own, merged).findings_text, advice.takeMerged(own, merged).findings_generated], ['All of it.', 'Node.']);
  assert.deepEqual([advice.keepWording(own, merged).findings_text, advice.keepWording(own, merged).findings_generated], ['Mine.', 'Node.']);
});

test('a correction names only what differs', () => {
  const image = { view: 'DPa', side: 'R', regions: ['carpus', 'manus'] };
  assert.equal(difference(image, { view: 'DPa', side: 'R', regions: ['manus', 'carpus'] }), null);
  assert.deepEqual(difference(image, { view: 'ML', side: 'R', regions: ['manus'] }), { view: 'ML', regions: ['manus'] });
});

test('a guess is the greater doubt', () => {
  assert.equal(doubt({ view_confidence: 'inferred', region_confidence: 'guessed' }), 'guessed');
  assert.equal(doubt({ view_confidence: 'inferred', region_confidence: 'stated' }), 'inferred');
  assert.equal(doubt({ view_confidence: 'stated', region_confidence: '' }), '');
});
