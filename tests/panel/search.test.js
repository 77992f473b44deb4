import assert from 'node:assert/strict';
import { test } from 'node:test';

import { everything, found } from '../../viewer_plugin/panel/search.js';
import { id, template } from './example.js';

const all = () => everything(template());

test('commands with their keys, sections and structures are found', () => {
  assert.equal(all().find(entry => entry.id === 'abnormal').key, 'a');
  assert.ok(found(all(), 'conclude').some(entry => entry.kind === 'section'));
  const name = template().items.find(item => item.id === id('c1')).name;
  assert.ok(found(all(), name.toUpperCase()).some(entry => entry.kind === 'structure' && entry.id === id('c1')));
});

test('a structure is found by the short name that it has in the data, too', () => {
  const ids = words => found(all(), words).map(entry => entry.id);
  assert.ok(ids('c1').includes(id('c1')));
  const phalanx = { id: 'R.manus.d4_p1', structure: 'd4_p1', region: 'manus', name: 'proximal phalanx of digit IV', section: 'bone', side: 'R', visibility: {} };
  const more = everything(/** @type {any} */ ({ ...template(), items: [phalanx] }));
  assert.deepEqual(found(more, 'p1').map(entry => entry.id), [phalanx.id]);
  assert.deepEqual(found(more, 'd4 p1').map(entry => entry.id), [phalanx.id]);
});

test('every word counts, and what begins with the words comes first', () => {
  const entries = ['far from undo', 'undo', 'redo'].map(name => ({ id: name, name, kind: 'command', key: '', more: '' }));
  assert.deepEqual(found(entries, 'undo').map(entry => entry.id), ['undo', 'far from undo']);
  assert.deepEqual(found(entries, 'undo far').map(entry => entry.id), ['far from undo']);
  assert.deepEqual(found(entries, 'nothing'), []);
  assert.equal(found(entries, ' ').length, 3);
});
