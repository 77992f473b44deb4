import assert from 'node:assert/strict';
import { test } from 'node:test';

import { copyFinding, described, viewFor } from '../../viewer_plugin/panel/copying.js';
import { Priors, pairs } from '../../viewer_plugin/panel/priors.js';
import { reading as emptyReading, template as example } from './example.js';

const template = example();

const view = (uid, name, side = 'R') => ({ uid, view: name, side });

test('the same view of the same side goes below, a lateral from the other side too', () => {
  const today = [view('a', 'DPa'), view('b', 'ML')];
  const before = [view('1', 'LM'), view('2', 'DPa', 'L'), view('3', 'DPa')];
  assert.deepEqual(pairs(today, before), [['a', '3'], ['b', '1']]);
  assert.deepEqual(pairs(today, [view('1', '')]), []);
});

test('the other limb is the same view of the other side', () => {
  assert.deepEqual(pairs([view('a', 'DPa')], [view('1', 'DPa', 'L')], true), [['a', '1']]);
});

test('the node is asked again while it looks, later when it failed, and not once it has found', async () => {
  const answers = [{ search: { state: 'looking' } }, new Error('away'), { search: { state: 'found' } }];
  const waits = [];
  let go = () => {};
  const timers = { set: (fn, ms) => { waits.push(ms); go = fn; return 1; }, clear: () => {} };
  const priors = new Priors(async () => {
    const next = answers.shift();
    if (next instanceof Error) throw next;
    return { studies: [], observations: {}, measurements: {}, more: 0, ...next };
  }, () => {}, timers);
  await priors.load();
  await go();
  assert.equal(priors.error, 'away');
  await go();
  assert.deepEqual(waits, [3000, 30000]);
  assert.equal(priors.error, '');
});

test('a copied description says where it came from and leaves the cross-check to be answered', () => {
  const item = template.items[0];
  const prior = { report: '1.2.3', view: template.views[0].label, sentence: '', descriptors: ['known', 'gone'], severity: 'mild', aggressiveness: '', note: 'old' };
  const today = viewFor(template, item, prior);
  assert.equal(today.uid, template.views[0].uid);
  const before = emptyReading();
  const { reading, finding, left } = copyFinding(template, before, item, today, prior, new Set(['known']));
  const made = reading.findings.find(f => f.id === finding);
  assert.deepEqual([made.descriptors, made.severity, made.note, made.copied_from], [['known'], 'mild', 'old', '1.2.3']);
  assert.deepEqual(left, ['gone']);
  assert.equal(reading.observations[item.id][today.uid].value, 'abnormal');
  assert.ok(described(reading, item, today));
  assert.deepEqual(before, emptyReading());
});
