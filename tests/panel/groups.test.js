import assert from 'node:assert/strict';
import { test } from 'node:test';

import { allShown, groupCount, groupNormal, groupOf, groupOpen, standsAlone, withShown } from '../../viewer_plugin/panel/groups.js';
import { fills } from '../../viewer_plugin/panel/map_state.js';
import { setObservation, withFinding } from '../../viewer_plugin/panel/reading.js';
import { DPA, ML, id, reading, said, template } from './example.js';

const bones = template().groups[0];
const seen = r => withShown(template(), r, bones.items);

test('a group can be called normal only after every member was shown', () => {
  const half = withShown(template(), reading(), [id('radius_distal')]);
  assert.ok(!allShown(half, bones));
  assert.equal(groupNormal(template(), half, bones), half);
  assert.ok(allShown(seen(reading()), bones));
});

test('normal goes to every open view that can show a member, marked as said of the group', () => {
  const after = groupNormal(template(), seen(reading()), bones);
  const normal = { value: 'normal', note: '', by_group: true };
  assert.deepEqual(after.observations, { [id('radius_distal')]: { [DPA]: normal, [ML]: normal }, [id('c1')]: { [DPA]: normal } });
});

test('what was answered before stays as it was', () => {
  const before = setObservation(seen(reading()), id('radius_distal'), DPA, { value: 'variant', note: 'notch' });
  const after = groupNormal(template(), before, bones);
  assert.deepEqual(after.observations[id('radius_distal')][DPA], { value: 'variant', note: 'notch' });
  assert.equal(after.observations[id('radius_distal')][ML].by_group, true);
});

test('a member with a finding or a doubt is left alone in all its views', () => {
  for (const value of ['abnormal', 'undetermined']) {
    const before = setObservation(seen(reading()), id('radius_distal'), DPA, said(value));
    assert.ok(standsAlone(before, id('radius_distal')));
    const after = groupNormal(template(), before, bones);
    assert.deepEqual(after.observations[id('radius_distal')], { [DPA]: said(value) });
    assert.equal(groupOpen(template(), before, bones).length, 1);
  }
  const described = withFinding(template(), reading(), template().items[0], ML).reading;
  assert.ok(standsAlone(described, id('radius_distal')));
});

test('what was shown is kept once, and only of this study', () => {
  const once = withShown(template(), reading(), [id('c1'), id('c1'), 'L.hip.femur']);
  assert.deepEqual(once.shown, [id('c1')]);
  assert.equal(withShown(template(), once, [id('c1')]), once);
});

test('each structure knows its group, and the group what is answered', () => {
  assert.equal(groupOf(template(), id('c1')).id, 'bones');
  const after = setObservation(reading(), id('c1'), DPA, said('normal'));
  assert.deepEqual(groupCount(template(), after, template().items.slice(0, 2)), [1, 3]);
});

test('normal as a group is drawn a little dimmer than normal', () => {
  const after = groupNormal(template(), seen(reading()), bones);
  assert.deepEqual(fills(template().items[0], template().views, after), ['group', 'group']);
});
