import assert from 'node:assert/strict';
import { test } from 'node:test';

import { laidOver, languageOf } from '../../viewer_plugin/panel/language.js';
import { english, strings } from '../../viewer_plugin/panel/strings.js';
import { german } from '../../viewer_plugin/panel/strings_de.js';

/** Every leaf with its path. */
function leaves(node, path = '') {
  if (!node || typeof node !== 'object') return [[path, node]];
  return Object.entries(node).flatMap(([key, value]) => leaves(value, path ? `${path}/${key}` : key));
}

test('German has every sentence of English, and none that is not used', () => {
  assert.deepEqual(leaves(german).map(([path]) => path).sort(), leaves(english).map(([path]) => path).sort());
});

test('a sentence with gaps to fill has the same gaps in both languages', () => {
  const other = new Map(leaves(german));
  for (const [path, said] of leaves(english)) {
    assert.equal(typeof other.get(path), typeof said, path);
    if (typeof said === 'function') assert.equal(other.get(path).length, said.length, path);
  }
});

test('hardly a sentence is the same in both, so nothing was left untranslated', () => {
  const other = new Map(leaves(german));
  const same = leaves(english).filter(([path, said]) => typeof said === 'string' && said.includes(' ') && said === other.get(path)).map(([path]) => path);
  assert.deepEqual(same, []);
});

test('the node says the language, English where it does not', () => {
  assert.equal(languageOf(''), 'en');
  assert.equal(languageOf('a=b; sesamoid_language=de'), 'de');
  assert.equal(languageOf('sesamoid_language=xx'), 'en');
  assert.equal(strings, english);
});

test('a sentence that German lacks is said in English', () => {
  assert.deepEqual(laidOver({ a: 'one', b: { c: 'two', d: 'three' } }, { b: { c: 'zwei' } }), { a: 'one', b: { c: 'zwei', d: 'three' } });
});
