import assert from 'node:assert/strict';
import { test } from 'node:test';

import { Dictation } from '../../viewer_plugin/panel/dictation.js';
import { takeOver, asDelivered } from '../../viewer_plugin/panel/preferences.js';
import { strings } from '../../viewer_plugin/panel/strings.js';

globalThis.InputEvent ??= class extends Event {};
takeOver('ida', { ...asDelivered(), dictation: 'de-DE' });

/** A text field that knows what `write` needs. */
function field(value = '') {
  return Object.assign(new EventTarget(), {
    value, selectionStart: value.length, selectionEnd: value.length, isConnected: true, focus() {},
    setRangeText(words, start, end) {
      this.value = this.value.slice(0, start) + words + this.value.slice(end);
      this.selectionStart = this.selectionEnd = start + words.length;
    },
  });
}

/** A browser's recognition; what it was asked and told is kept. */
function browser({ state = 'available', local = true } = {}) {
  const asked = [];
  class SpeechRecognition {
    static available(options) {
      asked.push(options);
      return Promise.resolve(state);
    }

    static install() {
      return Promise.resolve(true);
    }

    start() {
      SpeechRecognition.started = this;
    }

    stop() {
      this.onend();
    }

    get processLocally() {
      return this.kept;
    }

    set processLocally(wanted) {
      this.kept = local && wanted;
    }
  }
  return { SpeechRecognition, asked };
}

const result = (transcript, isFinal) => ({ resultIndex: 0, results: [{ isFinal, 0: { transcript } }] });

test('what was heard to the end is written at the caret, what may still change is only shown', async () => {
  const scope = browser();
  const note = field('Seen:');
  const dictation = new Dictation(() => {}, () => note, scope);
  await dictation.toggle();
  assert.deepEqual(scope.asked, [{ langs: ['de-DE'], processLocally: true }]);
  const { started } = scope.SpeechRecognition;
  assert.deepEqual([started.lang, started.processLocally, dictation.state], ['de-DE', true, 'listening']);
  started.onresult(result('a smo', false));
  assert.deepEqual([note.value, dictation.heard], ['Seen:', 'a smo']);
  started.onresult(result(' a smooth margin', true));
  started.onresult(result('.', true));
  assert.equal(note.value, 'Seen: a smooth margin.');
  await dictation.toggle();
  assert.equal(dictation.state, 'quiet');
});

test('nothing is started where the browser cannot or would not keep the sound on the device', async () => {
  const scopes = [{}, { SpeechRecognition: class { start() { assert.fail('started'); } } }, { webkitSpeechRecognition: class {} }, browser({ state: 'unavailable' }), browser({ local: false })];
  for (const scope of scopes) {
    const dictation = new Dictation(() => {}, () => field(), scope);
    await dictation.toggle();
    assert.deepEqual([dictation.state, dictation.said], ['quiet', strings.dictation.cannot]);
    assert.equal(scope.SpeechRecognition?.started, undefined);
  }
});

test('a language that must be fetched first is fetched only when asked', async () => {
  const scope = browser({ state: 'downloadable' });
  const dictation = new Dictation(() => {}, () => field(), scope);
  await dictation.toggle();
  assert.equal(dictation.state, 'fetchable');
  await dictation.fetchLanguage();
  assert.equal(dictation.said, strings.dictation.fetched);
  assert.equal(scope.SpeechRecognition.started, undefined);
});

test('words go into no other field than the one they were meant for, and none without a field', async () => {
  const scope = browser();
  const note = field();
  const dictation = new Dictation(() => {}, () => note, scope);
  await dictation.toggle();
  note.isConnected = false;
  scope.SpeechRecognition.started.onresult(result('lost', true));
  assert.deepEqual([note.value, dictation.state], ['', 'quiet']);
  const nowhere = new Dictation(() => {}, () => null, browser());
  await nowhere.toggle();
  assert.equal(nowhere.said, strings.dictation.noField);
});

test('a refused microphone is said', async () => {
  const scope = browser();
  const dictation = new Dictation(() => {}, () => field(), scope);
  await dictation.toggle();
  scope.SpeechRecognition.started.onerror({ error: 'not-allowed' });
  scope.SpeechRecognition.started.onend();
  assert.equal(dictation.said, strings.dictation.noMicrophone);
});
