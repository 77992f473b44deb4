import assert from 'node:assert/strict';
import { test } from 'node:test';

import { themeOf } from '../../viewer_plugin/panel/theme.js';

test('dark unless light was chosen; what the system prefers counts only for those who follow it', () => {
  assert.equal(themeOf(null, true), 'dark');
  assert.equal(themeOf('dark', true), 'dark');
  assert.equal(themeOf('light', false), 'light');
  assert.equal(themeOf('system', true), 'light');
  assert.equal(themeOf('system', false), 'dark');
});
