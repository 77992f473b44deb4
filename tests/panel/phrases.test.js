import assert from 'node:assert/strict';
import { test } from 'node:test';

import { STARTERS, applies, blankFrom, filled, fromFile, merged, nameBefore, phraseFor, toFile, wrongWith } from '../../viewer_plugin/panel/phrases.js';

const phrase = (name, where = 'any', text = `words of ${name}`) => ({ name, where, text });

test('a name counts right before the caret, after a semicolon that begins a word', () => {
  assert.deepEqual(nameBefore(';norm', 5), { name: 'norm', start: 0 });
  assert.deepEqual(nameBefore('Seen. ;norm and more', 11), { name: 'norm', start: 6 });
  assert.deepEqual(nameBefore('two\n;ä-1', 8), { name: 'ä-1', start: 4 });
  for (const text of ['radius;ulna', ';', '; norm', 'norm', ';norm ']) assert.equal(nameBefore(text, text.length), null, text);
});

test('the phrase made for a field goes before the one for any, and none goes where it does not belong', () => {
  const phrases = [phrase('n'), phrase('n', 'impression'), phrase('r', 'recommendations')];
  assert.equal(phraseFor(phrases, 'n', 'impression'), phrases[1]);
  assert.equal(phraseFor(phrases, 'n', 'findings'), phrases[0]);
  assert.equal(phraseFor(phrases, 'r', 'impression'), null);
  assert.ok(applies(phrases[0], ''));
  assert.ok(!applies(phrases[2], ''));
});

test('known blanks are filled, unknown ones are left to be typed over, one after the other', () => {
  const text = filled('{side} {structure}, {view}: {size} mm, {constructor}', { structure: 'radius', side: 'right', view: '' });
  assert.equal(text, 'right radius, {view}: {size} mm, {constructor}');
  assert.deepEqual(blankFrom(text, 0), { start: 14, end: 20 });
  assert.deepEqual(blankFrom(text, 20), { start: 22, end: 28 });
  assert.equal(blankFrom('none { left', 0), null);
});

test('a file gives back what was saved, and one that is not ours gives nothing', () => {
  const phrases = [phrase('a'), phrase('a', 'findings'), phrase('ü', 'impression', 'two\nlines')];
  assert.deepEqual(fromFile(toFile(phrases)), phrases);
  for (const text of ['', '[]', '{"phrases": []}', 'null', toFile([phrase('two words')]), toFile([phrase('a', 'anywhere')]), toFile([phrase('a'), phrase('a')]), toFile([phrase('a', 'any', ' ')])]) {
    assert.equal(fromFile(text), null, text);
  }
});

test('taking phrases in replaces those of the same name and place, and loses no other', () => {
  const all = merged([phrase('a'), phrase('b')], [phrase('b', 'any', 'new'), phrase('b', 'findings')]);
  assert.deepEqual(all.map(one => [one.name, one.where, one.text]), [['a', 'any', 'words of a'], ['b', 'any', 'new'], ['b', 'findings', 'words of b']]);
});

test('what the makers offer can be kept, is in both languages, and has blanks for all that is not neutral', () => {
  assert.equal(STARTERS.en.length, STARTERS.de.length);
  for (const offered of Object.values(STARTERS)) for (const [at, one] of offered.entries()) assert.equal(wrongWith(one, offered.slice(0, at)), '', one.name);
});
