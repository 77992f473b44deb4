// @ts-check
/** From our coded findings and measurements to lines with their place and their images; pure. */

import { items, name, valueOf } from './report_text.js';
import { one } from './report_handler.js';

/** @typedef {{sentence: string, detail: string, images: {uid: string, label: string}[]}} PlaceLine */

const OWN = '99SESAMOID';
const CODED = 'CODEDOBS';
const FINDINGS = 'CODEDFIND';
const MEASUREMENTS = 'CODEDMEAS';
const SITE = '363698007';
const LATERALITY = '272741003';
const VIEW = '111031';
const CROSS_CHECK = 'CROSSCHECK';
const COPIED = 'COPIEDFROM';
const UNCERTAINTY = 'UNCERTAINTY95';
const BOUND = 'BOUND';
/** Told in the line itself, or for programs only: identifiers, and what computed a number. */
const LEFT_OUT = [SITE, VIEW, CROSS_CHECK, '112039', '112040', '370129005', 'OFFINDING', 'DESCRIPTOR', COPIED, BOUND, '111001', '111002', '111003'];

const codeOf = item => one(item.ConceptNameCodeSequence)?.CodeValue ?? '';

/** Whether an item is the part of our reports that is for programs. */
export function isCoded(item) {
  const concept = one(item.ConceptNameCodeSequence);
  return concept?.CodeValue === CODED && concept.CodingSchemeDesignator === OWN;
}

/** @returns {PlaceLine[]} each finding and measurement with its site, side, view and images */
export function placeLines(root) {
  const coded = items(root).find(isCoded);
  const below = code => items(items(coded).find(item => codeOf(item) === code));
  return [...below(FINDINGS).map(findingLine), ...below(MEASUREMENTS).map(measurementLine)];
}

function findingLine(item) {
  const words = items(item).filter(child => codeOf(child) === 'DESCRIPTOR').map(valueOf);
  const checks = items(item).filter(child => codeOf(child) === CROSS_CHECK);
  const copied = items(item).some(child => codeOf(child) === COPIED);
  const told = [...extras(item), ...checks.map(check => `other view: ${valueOf(check).toLowerCase()}`), copied && 'description copied from an earlier report'];
  return {
    sentence: `${site(item)}: ${(words.length ? words : [valueOf(item)]).join(', ')}`,
    detail: told.filter(Boolean).join('; '),
    images: [...imagesOf(item, view(item)), ...checks.flatMap(check => imagesOf(check, 'other view'))],
  };
}

/** Each number by its name and with its uncertainty; how it was computed stands among the codes. */
function measurementLine(item) {
  const drawn = items(item).find(child => child.ValueType === 'SCOORD');
  const others = items(item).filter(child => child.ValueType === 'NUM' && codeOf(child) !== UNCERTAINTY);
  const told = [...extras(item), ...others.map(numberWords)];
  return { sentence: `${site(item)}: ${numberWords(item)}`, detail: told.join('; '), images: imagesOf(drawn, view(item)) };
}

/** "soft tissue thickness, largest at least 10.58 ± 0.37 mm" */
function numberWords(item) {
  const below = code => items(item).find(child => codeOf(child) === code);
  const [bound, error] = [below(BOUND), below(UNCERTAINTY)];
  const [value, ...unit] = valueOf(item).split(' ');
  const spread = error && `± ${Number(valueOf(error).split(' ')[0]).toPrecision(2)}`;
  return [name(item).toLowerCase(), bound && valueOf(bound).toLowerCase(), value, spread, ...unit].filter(Boolean).join(' ');
}

/** "Distal radius, right" of the first site, which is the structure. */
function site(item) {
  const found = items(item).find(child => codeOf(child) === SITE);
  const side = items(found).find(child => codeOf(child) === LATERALITY);
  const words = [found && valueOf(found), side && valueOf(side).toLowerCase()].filter(Boolean).join(', ');
  return words.charAt(0).toUpperCase() + words.slice(1);
}

function view(item) {
  const found = items(item).find(child => codeOf(child) === VIEW);
  return found ? valueOf(found).toLowerCase() : '';
}

function extras(item) {
  return items(item).filter(child => child.ValueType !== 'NUM' && !LEFT_OUT.includes(codeOf(child))).map(child => valueOf(child).toLowerCase()).filter(Boolean);
}

function imagesOf(item, label) {
  return items(item)
    .filter(child => child.ValueType === 'IMAGE')
    .map(child => ({ uid: one(child.ReferencedSOPSequence)?.ReferencedSOPInstanceUID, label }))
    .filter(image => image.uid);
}

