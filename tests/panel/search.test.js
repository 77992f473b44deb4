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

test('every word counts, and what begins with the words comes first', () => {
  const entries = ['far from undo', 'undo', 'redo'].map(name => ({ id: name, name, kind: 'command', key: '', more: '' }));
  assert.deepEqual(found(entries, 'undo').map(entry => entry.id), ['undo', 'far from undo']);
  assert.deepEqual(found(entries, 'undo far').map(entry => entry.id), ['far from undo']);
  assert.deepEqual(found(entries, 'nothing'), []);
  assert.equal(found(entries, ' ').length, 3);
});
