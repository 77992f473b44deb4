import assert from 'node:assert/strict';
import { test } from 'node:test';

import { keyImagesOf } from '../../viewer_plugin/host/key_images.js';

const value = (...values) => ({ Value: values });
const image = uid => ({ '0040A040': value('IMAGE'), '00081199': value({ '00081155': value(uid) }) });

test('key images come in the order of the selection, its words apart', () => {
  const text = { '0040A040': value('TEXT'), '0040A160': value('Images that findings point to.') };
  assert.deepEqual(keyImagesOf({ '0040A730': value(text, image('1.3'), image('1.2')) }), ['1.3', '1.2']);
});

test('a document without content selects nothing', () => {
  assert.deepEqual(keyImagesOf({}), []);
});
