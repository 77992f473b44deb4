// @ts-check
/** What the node says of a number, in the reader's language: by the id of the sentence. */

import { entries, marks } from './entries_de.js';
import { language } from './language.js';
import { calibrations, measured } from './measured_de.js';
import { populations } from './populations_de.js';

/**
 * @typedef {{text: string, id: string, values: Record<string, any>}} Sentence
 * @typedef {(key: string) => string | undefined} Known the sentence with an id
 */

const GAP = /\{(\w+)(?::([^}]*))?\}/g;
const SPEC = /^(\+?)(?:\.(\d))?([fg%])$/;

/** @type {Known} */
function german(key) {
  const [part, name] = key.split('.');
  if (part === 'entry') return entries[name]?.name;
  if (part === 'traps') return entries[name]?.traps;
  return measured[part]?.[name];
}

/** @type {Known | null} English is what the node says already. */
const known = language === 'de' ? german : null;

/**
 * One of the node's sentences; as the node wrote it where this language does not know it.
 * @param {string} text @param {Sentence[]} [said] what the node's sentences are made of
 * @param {Known | null} [words]
 */
export function inWords(text, said = [], words = known) {
  const made = words && text ? said.find(one => one.text === text) : null;
  return made && words ? spoken(made, words) : text;
}

/**
 * What a number is called. One that comes from a document has the name of its code there: it is
 * known by what was computed and by its id.
 * @param {{kind: string, name?: string, said?: Sentence[]}} computed @param {{id: string, name: string}} number
 * @param {Known | null} [words]
 */
export function numberName({ kind, name = '', said = [] }, number, words = known) {
  const made = inWords(number.name, said, words);
  if (!words || made !== number.name) return made;
  return (kind === 'limb_measurement' ? words(`entry.${name}`) : words(`${kind}.${number.id}`)) ?? made;
}

/** Who was measured, or a note on it. @param {string} text */
export const whom = (text, translated = language === 'de') => (translated ? populations[text] ?? text : text);

/** What a length is worth, of a measurement that keeps only the text. @param {string} text */
export function worth(text, words = known) {
  if (!words) return text;
  for (const [name, pattern] of Object.entries(calibrations)) {
    const found = new RegExp(`^${pattern.replace(/[()]/g, '\\$&').replace(GAP, '(?<$1>.+?)')}$`).exec(text);
    if (!found) continue;
    const values = Object.fromEntries(Object.entries(found.groups ?? {}).map(([gap, value]) => [gap, words(`word.${value}`) ?? value]));
    return spoken({ text, id: `calibration.${name}`, values }, words);
  }
  return text;
}

/** @param {Sentence} made @param {Known} words @returns {string} */
function spoken(made, words) {
  const pattern = words(made.id);
  if (!pattern) return made.text;
  return pattern.replace(GAP, (gap, name, spec = '') => {
    if (!(name in made.values)) return gap;
    return name === 'population' ? whom(made.values[name], true) : filled(made.values[name], spec, words);
  });
}

/** With so many decimals; what rounds to nothing has no sign. */
export function fixed(/** @type {number} */ value, /** @type {number} */ digits) {
  const written = value.toFixed(digits);
  return Number(written) === 0 ? (0).toFixed(digits) : written;
}

/** @param {any} value @param {string} spec as in the node's sentences: ".1f", "+.1f", ".0%", "g" */
function filled(value, spec, words) {
  if (value && typeof value === 'object') return spoken(value, words);
  const [, sign = '', digits = '', kind = ''] = SPEC.exec(spec) ?? [];
  if (typeof value !== 'number' || !kind) return String(value);
  const plus = sign && value >= 0 ? '+' : '';
  if (kind === 'g') return plus + String(Number(value.toPrecision(Number(digits || 6))));
  return kind === '%' ? `${plus}${fixed(100 * value, Number(digits))}\u00a0%` : plus + fixed(value, Number(digits));
}

/** What is published and not measured here, and why. @param {{name: string, title: string, why: string}} one */
export function notOffered(one, words = known) {
  return { name: one.name, title: words?.(`entry.${one.name}`) ?? one.title, why: words?.(`not_offered.${one.name}`) ?? one.why };
}

/**
 * A published measurement as the reader's language has it.
 * @param {import('./measure_offers.js').Offer} offer @param {boolean} [translated]
 */
export function published(offer, translated = language === 'de') {
  const entry = translated ? entries[offer.name] : null;
  if (!entry) return offer;
  const landmarks = offer.landmarks.map(mark => {
    const [name, where] = marks[mark.id] ?? [mark.name, mark.where];
    return { ...mark, name, where };
  });
  return { ...offer, title: entry.name, guidance: entry.guidance || offer.guidance, traps: entry.traps || offer.traps, landmarks };
}
