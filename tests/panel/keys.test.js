import assert from 'node:assert/strict';
import { test } from 'node:test';

import { CHANGEABLE, FIXED, command, isEditable, isPressable, keysNow, refusal } from '../../viewer_plugin/panel/keys.js';
import { strings } from '../../viewer_plugin/panel/strings.js';

const press = (key, more = {}) => command({ key, ...more });

test('each value has one key', () => {
  const wanted = { ' ': 'normalNext', a: 'abnormal', v: 'variant', u: 'undetermined', x: 'notAssessable' };
  for (const [key, name] of Object.entries(wanted)) assert.deepEqual(press(key), { name });
});

test('space is for one structure, with shift for its group', () => {
  assert.deepEqual(press(' ', { shiftKey: true }), { name: 'groupNormal' });
  assert.deepEqual(press(' '), { name: 'normalNext' });
});

test('capitals are the same keys', () => {
  assert.deepEqual(press('A', { shiftKey: true }), { name: 'abnormal' });
});

test('digits choose the view in the order of the card', () => {
  assert.deepEqual(press('1'), { name: 'view', index: 0 });
  assert.deepEqual(press('9'), { name: 'view', index: 8 });
  assert.equal(press('0'), null);
});

test('ctrl z and cmd z undo; other combinations belong to the browser', () => {
  assert.deepEqual(press('z', { ctrlKey: true }), { name: 'undo' });
  assert.deepEqual(press('Z', { metaKey: true }), { name: 'undo' });
  assert.deepEqual(press('Z', { ctrlKey: true, shiftKey: true }), { name: 'redo' });
  assert.equal(press('a', { ctrlKey: true }), null);
  assert.equal(press('v', { metaKey: true }), null);
  assert.equal(press('n', { altKey: true }), null);
});

test('keys without a command are left alone', () => {
  for (const key of ['Tab', 'Enter', 'ArrowUp', 'F5', 'z', 'constructor']) assert.equal(press(key), null);
});

test('text fields keep their keys, check boxes do not', () => {
  assert.ok(isEditable({ localName: 'textarea' }));
  assert.ok(isEditable({ localName: 'input', type: 'search' }));
  assert.ok(!isEditable({ localName: 'input', type: 'checkbox' }));
  assert.ok(isPressable({ localName: 'input', type: 'checkbox' }));
  assert.ok(!isPressable({ localName: 'g' }));
});

test('every key on the help page has its sentence', () => {
  for (const [name] of [...CHANGEABLE, ...FIXED]) assert.equal(typeof strings.help.commands[name], 'string', name);
});

test('no two commands have the same key as delivered, and none one of the images', () => {
  for (const [name, key] of CHANGEABLE) assert.equal(refusal(name, key, {}), null, name);
});

test('a key is refused when another command or the images have it, or when it is no key of its own', () => {
  assert.deepEqual(refusal('next', 'a', {}), { by: 'command', command: 'abnormal' });
  assert.deepEqual(refusal('next', 'i', {}), { by: 'viewer' });
  for (const key of ['3', 'enter', 'arrowup', 'escape', 'backspace', 'f5']) assert.deepEqual(refusal('next', key, {}), { by: 'unusable' }, key);
});

test('the key that a command gave up is free, and the new one is taken', () => {
  const own = { abnormal: 'q' };
  assert.equal(refusal('next', 'a', own), null);
  assert.deepEqual(refusal('next', 'q', own), { by: 'command', command: 'abnormal' });
  assert.equal(keysNow(own).get('abnormal'), 'q');
  assert.equal(keysNow(own).get('next'), 'n');
});
