import assert from 'node:assert/strict';
import { test } from 'node:test';

import { breakable } from '../../viewer_plugin/panel/names.js';

const shown = name => breakable(name).replaceAll('\u00ad', '-');

test('long names of anatomy break after their stems', () => {
  assert.equal(shown('Antebrachiocarpal joint'), 'Ante-brachio-carpal joint');
  assert.equal(shown('Radial (intermedioradial) carpal bone'), 'Radial (intermedio-radial) carpal bone');
  assert.equal(shown('Metacarpophalangeal joint of digit II'), 'Metacarpo-phalangeal joint of digit II');
});

test('short names stay as they are', () => {
  assert.equal(shown('Carpal bone C1'), 'Carpal bone C1');
  assert.equal(shown('Distal ulna'), 'Distal ulna');
});
