import assert from 'node:assert/strict';
import { test } from 'node:test';

import { newest, reportHandler } from '../../viewer_plugin/host/report_handler.js';
import { reportLines, standing } from '../../viewer_plugin/host/report_text.js';

const code = meaning => [{ CodeValue: meaning, CodingSchemeDesignator: 'X', CodeMeaning: meaning }];
const text = (words, ...below) => ({ RelationshipType: 'CONTAINS', ValueType: 'TEXT', ConceptNameCodeSequence: code('Sentence'), TextValue: words, ContentSequence: below });
const coded = (rel, name, value, ...below) => ({ RelationshipType: rel, ValueType: 'CODE', ConceptNameCodeSequence: code(name), ConceptCodeSequence: code(value), ContentSequence: below });
const box = (name, ...below) => ({ RelationshipType: 'CONTAINS', ValueType: 'CONTAINER', ConceptNameCodeSequence: code(name), ContentSequence: below });

test('headings, sentences, and site, side and view of a finding', () => {
  const finding = coded('CONTAINS', 'Morphology', 'lysis', coded('HAS CONCEPT MOD', 'Finding Site', 'distal radius', coded('HAS CONCEPT MOD', 'Laterality', 'Right')));
  const { body } = reportLines({ ContentSequence: [box('Bone', text('The radius is abnormal.'), finding)] });
  assert.deepEqual(body[0], { level: 2, heading: 'Bone' });
  assert.equal(body[1].sentence, 'The radius is abnormal.');
  assert.equal(body[2].sentence, 'Morphology: lysis');
  assert.equal(body[2].detail, 'Finding Site distal radius; Laterality Right');
});

test('context does not stand before the report', () => {
  const { body, context } = reportLines({ ContentSequence: [coded('HAS OBS CONTEXT', 'Observer Type', 'Person'), box('History', text('Bitten.'))] });
  assert.equal(body[0].heading, 'History');
  assert.equal(context[0].sentence, 'Observer Type: Person');
});

test('of the author of an addendum only the name stands in it', () => {
  const author = { RelationshipType: 'HAS OBS CONTEXT', ValueType: 'PNAME', ConceptNameCodeSequence: code('Person Observer Name'), PersonName: 'Vet^Vera^^Dr' };
  const { body } = reportLines({ ContentSequence: [box('Addendum', coded('HAS OBS CONTEXT', 'Observer Type', 'Person'), author, text('Late.'))] });
  assert.deepEqual(body.map(line => line.heading ?? line.sentence), ['Addendum', 'Dr Vera Vet', 'Late.']);
});

test('items without a name, without content or of one without a list are survived', () => {
  const nameless = { RelationshipType: 'CONTAINS', ValueType: 'IMAGE', ReferencedSOPSequence: { ReferencedSOPInstanceUID: '1.2.3' } };
  const { body } = reportLines({ ContentSequence: box('Key images', nameless) });
  assert.deepEqual(body.at(-1).images, ['1.2.3']);
  assert.deepEqual(reportLines({}), { body: [], places: [], coded: [], context: [] });
  assert.deepEqual(reportLines({ ContentSequence: [box('Empty')] }).body, []);
});

test('the newest version of a series is shown, whatever the order', () => {
  const versions = [{ InstanceNumber: 1, ContentDate: '20261104', ContentTime: '1000' }, { InstanceNumber: 2, ContentDate: '20261104', ContentTime: '1100' }];
  assert.equal(newest(versions).InstanceNumber, 2);
  assert.equal(newest([...versions].reverse()).InstanceNumber, 2);
});

test('a finding of ours stands with its site, side, view, other view and images, and not twice', () => {
  const own = (value, meaning) => [{ CodeValue: value, CodingSchemeDesignator: '99SESAMOID', CodeMeaning: meaning }];
  const named = (item, value) => ({ ...item, ConceptNameCodeSequence: [{ CodeValue: value, CodeMeaning: value }] });
  const image = uid => ({ ValueType: 'IMAGE', ReferencedSOPSequence: [{ ReferencedSOPInstanceUID: uid }] });
  const finding = coded('CONTAINS', 'Finding', 'lysis',
    named(coded('HAS CONCEPT MOD', '', 'Distal Radius', named(coded('HAS CONCEPT MOD', '', 'Right'), '272741003')), '363698007'),
    named(coded('HAS CONCEPT MOD', '', 'Dorsopalmar'), '111031'),
    named(coded('HAS PROPERTIES', '', 'lysis'), 'DESCRIPTOR'),
    named(coded('HAS PROPERTIES', '', 'Confirmed', image('2')), 'CROSSCHECK'),
    named(text('f-1'), '112039'), image('1'));
  const part = { ...box('', { ...box('', finding), ConceptNameCodeSequence: own('CODEDFIND', 'Coded findings') }), ConceptNameCodeSequence: own('CODEDOBS', 'Coded') };
  const { body, places, coded: codes } = reportLines({ ContentSequence: [box('Findings', text('Lysis.')), part] });
  assert.deepEqual(body.map(line => line.heading ?? line.sentence), ['Findings', 'Lysis.']);
  assert.deepEqual(places, [{
    sentence: 'Distal Radius, right: lysis', detail: 'other view: confirmed',
    images: [{ uid: '1', label: 'dorsopalmar' }, { uid: '2', label: 'other view' }],
  }]);
  assert.ok(codes.length > 0);
});

test('each number of a computed measurement has its name and uncertainty; the algorithm stands among the codes', () => {
  const concept = (item, value, meaning = value) => ({ ...item, ConceptNameCodeSequence: [{ CodeValue: value, CodingSchemeDesignator: '99SESAMOID', CodeMeaning: meaning }] });
  const number = (value, meaning, amount, ...below) => concept({
    ValueType: 'NUM', MeasuredValueSequence: [{ NumericValue: amount, MeasurementUnitsCodeSequence: [{ CodeValue: 'mm' }] }], ContentSequence: below,
  }, value, meaning);
  const error = amount => number('UNCERTAINTY95', 'Uncertainty', amount);
  const measured = number('STTHICK', 'Soft tissue thickness, largest', '10.58', error('0.3713'),
    concept({ ValueType: 'CODE', ConceptCodeSequence: [{ CodeMeaning: 'At least' }] }, 'BOUND'),
    concept(text('sesamoid.swelling_profile'), '111001'), concept(text('5'), '111003'), concept(text('kind=swelling_profile'), '111002'),
    concept(text('Calibrated.'), 'CALIBRATION'),
    number('STTHICKAT', 'Place of the largest soft tissue thickness', '4.2', error('5'), concept(text('thickest_at'), '112039')));
  const own = [{ CodeValue: 'CODEDOBS', CodingSchemeDesignator: '99SESAMOID', CodeMeaning: 'Coded' }];
  const part = { ...box('', concept(box('', measured), 'CODEDMEAS')), ConceptNameCodeSequence: own };
  const [{ sentence, detail }] = reportLines({ ContentSequence: [part] }).places;
  assert.equal(sentence, ': soft tissue thickness, largest at least 10.58 ± 0.37 mm');
  assert.equal(detail, 'calibrated.; place of the largest soft tissue thickness 4.2 ± 5.0 mm');
});

test('a measurement report is left to the viewer', () => {
  const { getDisplaySetsFromSeries } = reportHandler('x');
  const measurements = { ConceptNameCodeSequence: [{ CodeValue: '126000' }] };
  assert.deepEqual(getDisplaySetsFromSeries([measurements]), []);
  assert.equal(getDisplaySetsFromSeries([{ ConceptNameCodeSequence: [{ CodeValue: '18748-4' }], SeriesInstanceUID: '1' }]).length, 1);
});

test('an unsigned document is never shown as signed', () => {
  const observer = [{ VerifyingObserverName: 'Vet^Vera', VerificationDateTime: '20261104' }];
  assert.equal(standing({ VerificationFlag: 'UNVERIFIED', VerifyingObserverSequence: observer }).by, '');
  assert.equal(standing({ VerificationFlag: 'VERIFIED', VerifyingObserverSequence: observer }).by, 'Vera Vet');
});
