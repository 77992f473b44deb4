import assert from 'node:assert/strict';
import { readFileSync } from 'node:fs';
import { test } from 'node:test';
import { localPath } from '../../dicom_service/web/static/node.js';
import { everything, fromKept, fromQuery, narrowed, toKeep, toQuery } from '../../dicom_service/web/static/filters.js';
import { bytes, deliveryWords, since } from '../../dicom_service/web/static/adminwords.js';
import { say, useWords } from '../../dicom_service/web/static/say.js';
import { ageOf, dicomDate, patient, personName, priorityOf, regionNames, stateOf } from '../../dicom_service/web/static/words.js';

useWords(JSON.parse(readFileSync(new URL('../../dicom_service/web/words/en.json', import.meta.url), 'utf8')));

const row = more => ({ patient_name: 'Brandt^Pip', patient_id: 'P1', reader: '', detail: '', late_objects: 0, delivery: '', delivery_detail: '', ...more });

test('only local pages are returned to after signing in', () => {
  const here = 'http://node:8480';
  assert.equal(localPath('/read?StudyInstanceUIDs=1.2', here), '/read?StudyInstanceUIDs=1.2');
  for (const next of [null, '', 'https://evil.example', '//evil.example', '/\\evil.example', '/\t/evil.example', 'javascript:alert(1)', '/\\/evil.example']) {
    assert.equal(new URL(localPath(next, here), here).origin, here, String(next));
  }
  assert.equal(localPath('//evil.example/x', here), '/');
  assert.equal(localPath('/\\evil.example/x', here), '/');
});

test('every state has words and those that want somebody say so', () => {
  assert.equal(stateOf(row({ state: 'waiting' })).wants, true);
  assert.equal(stateOf(row({ state: 'reading', reader: 'ida' })).text, 'Being read by ida');
  assert.equal(stateOf(row({ state: 'failed', detail: 'No limb image.' })).detail, 'No limb image.');
  const refused = stateOf(row({ state: 'signed', delivery: 'refused', delivery_detail: 'class not supported' }));
  assert.deepEqual([refused.wants, refused.detail], [true, 'class not supported']);
  assert.equal(stateOf(row({ state: 'signed', delivery: 'committed' })).wants, false);
  const texts = ['owed', 'sent', 'committed', 'refused', ''].map(delivery => stateOf(row({ state: 'signed', delivery })).text);
  assert.equal(new Set(texts).size, 5);
});

test('the version to go by is said where there is more than one', () => {
  const signed = { signed_by: 'Vreeland^Ida^^Dr', signed_at: '2026-03-04T15:06:07Z' };
  const first = stateOf(row({ state: 'signed', delivery: 'committed', report_kind: 'final', report_versions: 1, ...signed }));
  assert.equal(first.detail, '');
  const third = stateOf(row({ state: 'signed', delivery: 'refused', delivery_detail: 'full', report_kind: 'correction', report_versions: 3, ...signed }));
  assert.equal(third.detail, 'Version 3 of 3, corrected, Dr Ida Vreeland 2026-03-04. full');
  const opened = stateOf(row({ state: 'reading', reader: 'ida', report_kind: 'addendum', report_versions: 2, ...signed }));
  assert.equal(opened.text, 'Being corrected by ida');
  assert.match(opened.detail, /^Version 2 of 2, with addendum/);
  const withdrawn = stateOf(row({ state: 'withdrawn', report_kind: 'withdrawal', report_versions: 2, ...signed }));
  assert.deepEqual([withdrawn.text, withdrawn.detail], ['Withdrawn', 'By Dr Ida Vreeland: do not use the report.']);
});

test('images after signing are never silent', () => {
  const late = stateOf(row({ state: 'signed', delivery: 'committed', late_objects: 2 }));
  assert.match(late.detail, /2 images came after signing/);
  assert.equal(late.wants, true);
});

test('names, dates and regions read as people write them', () => {
  assert.equal(patient(row({})), 'Pip Brandt');
  assert.equal(patient(row({ patient_name: '' })), 'P1');
  assert.equal(patient(row({ patient_name: '', patient_id: '' })), 'no name');
  assert.equal(personName('Vreeland^Ida^^Dr'), 'Dr Ida Vreeland');
  assert.equal(dicomDate('20260301'), '2026-03-01');
  assert.equal(dicomDate('?'), '?');
  assert.equal(regionNames(['carpus', 'distal_limb']), 'carpus, distal limb');
});

test('a filter survives the address and the next visit, without what was searched for', () => {
  const filter = { ...everything(), text: 'Pip', stage: 'to_deliver', species: 'cat', order: 'newest', site: 'north', urgent: true, offset: 50 };
  assert.deepEqual(fromQuery(toQuery(filter)), filter);
  assert.equal(String(toQuery(everything())), '');
  assert.doesNotMatch(toKeep(filter), /Pip/);
  assert.deepEqual(fromKept(toKeep(filter)), { ...filter, text: '', offset: 0 });
  for (const kept of [null, '', 'null', '[]', '{"stage": 7, "urgent": "yes"}', '{"stage": "nonsense"}', '<']) {
    assert.deepEqual(fromKept(kept), everything(), String(kept));
  }
  assert.equal(narrowed({ ...everything(), stage: 'to_read' }), false);
  assert.equal(narrowed(filter), true);
});

test('how long a study waits is said until it is signed', () => {
  const now = Date.parse('2026-03-04T12:00:00Z');
  const waits = (at, state = 'waiting') => ageOf({ state, last_object_at: at }, now);
  assert.deepEqual(waits('2026-03-04T11:59:40Z'), { text: 'just now', long: false });
  assert.equal(waits('2026-03-04T11:18:00Z').text, '42 min');
  assert.deepEqual(waits('2026-03-03T11:00:00Z'), { text: '25 h', long: true });
  assert.equal(waits('2026-02-28T12:00:00Z').text, '4 days');
  assert.equal(waits('2026-03-05T12:00:00Z').text, 'just now', 'a clock that was set back');
  assert.equal(waits('2026-02-28T12:00:00Z', 'signed').text, '');
});

test('urgency says who set it, and the reader is named as people write it', () => {
  assert.deepEqual(priorityOf({ priority: 2, priority_by: '' }), { text: 'At once', by: 'As requested' });
  assert.deepEqual(priorityOf({ priority: 1, priority_by: 'ida' }), { text: 'Urgent', by: 'Set by ida' });
  assert.equal(priorityOf({}).text, '');
  assert.equal(stateOf(row({ state: 'reading', reader: 'ida', reader_name: 'Vreeland^Ida^^Dr' })).text, 'Being read by Dr Ida Vreeland');
});

test('figures of the administrator read as people write them', () => {
  assert.deepEqual([0, 999, 1000, 15400000, 271e9].map(bytes), ['0 B', '999 B', '1.0 kB', '15.4 MB', '271 GB']);
  assert.equal(since('2026-03-01T00:00:00Z', Date.parse('2026-03-04T00:00:00Z')), '3 days');
  assert.equal(deliveryWords({ state: 'owed', attempts: 3, destination: 'a' }).wants, true);
  assert.equal(deliveryWords({ state: 'owed', attempts: 0, destination: '' }).text, 'waits for an archive');
});

test('a word has its gaps filled, in the singular or plural, and one that is missing is seen', () => {
  assert.equal(say('list.studies', { n: 1 }), '1 study');
  assert.equal(say('list.studies', { n: 12 }), '12 studies');
  assert.equal(say('list.page', { from: 1, to: 50, all: 60 }), '1 to 50 of 60');
  assert.equal(say('list.no such word'), 'list.no such word');
});
