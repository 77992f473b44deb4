// @ts-check
/** A reader's own phrases: finding one by its name, filling its blanks, files of them. Pure. */

/** @typedef {import('./preferences.js').Phrase} Phrase */

export const WHERE = /** @type {const} */ (['any', 'findings', 'impression', 'recommendations']);

/** Blanks that are filled from what is being read; others are left for the reader to type over. */
export const BLANKS = /** @type {const} */ (['structure', 'side', 'view', 'date']);

/** Neutral sentences about the images and the reading, never about what an animal has. */
export const STARTERS = /** @type {Record<string, Phrase[]>} */ ({
  en: [
    { name: 'quality', where: 'findings', text: 'Position and exposure of the {view} view: {adequate / limited because …}.' },
    { name: 'compared', where: 'findings', text: 'Compared with the images of {date of the earlier study}.' },
    { name: 'views', where: 'recommendations', text: 'Further views: {which}, of the {side} {region}.' },
    { name: 'again', where: 'recommendations', text: 'Radiographs again in {how many} weeks, with the same views.' },
    { name: 'told', where: 'any', text: '{date}: discussed with {whom} by telephone.' },
  ],
  de: [
    { name: 'technik', where: 'findings', text: 'Lagerung und Belichtung der Aufnahme {view}: {ausreichend / eingeschränkt, weil …}.' },
    { name: 'vergleich', where: 'findings', text: 'Verglichen mit den Aufnahmen vom {Datum der früheren Studie}.' },
    { name: 'aufnahmen', where: 'recommendations', text: 'Weitere Aufnahmen: {welche}, {side} {Region}.' },
    { name: 'kontrolle', where: 'recommendations', text: 'Röntgenkontrolle in {wie vielen} Wochen mit denselben Aufnahmen.' },
    { name: 'besprochen', where: 'any', text: '{date}: telefonisch besprochen mit {wem}.' },
  ],
});

/** @param {Phrase} phrase @param {string} kind of a field; "" is one for any words */
export const applies = (phrase, kind) => phrase.where === 'any' || phrase.where === kind;

/**
 * A phrase by its name, the one made for this kind of field before the one for any.
 * @param {readonly Phrase[]} phrases
 * @param {string} name
 * @param {string} kind
 */
export function phraseFor(phrases, name, kind) {
  const same = phrases.filter(phrase => phrase.name === name);
  return same.find(phrase => phrase.where === kind) ?? same.find(phrase => phrase.where === 'any') ?? null;
}

/**
 * The name that was typed right before the caret, after a semicolon.
 * @param {string} text
 * @param {number} caret
 */
export function nameBefore(text, caret) {
  const found = /(?:^|\s);([^\s;]{1,24})$/.exec(text.slice(0, caret));
  return found ? { name: found[1], start: caret - found[1].length - 1 } : null;
}

/**
 * The text with what is known put into its blanks.
 * @param {string} text
 * @param {Record<string, string>} known
 */
export function filled(text, known) {
  return text.replace(/\{(\w+)\}/g, (blank, name) => (Object.hasOwn(known, name) && known[name] ? known[name] : blank));
}

/**
 * The first blank that is left at or after a place.
 * @param {string} text
 * @param {number} from
 */
export function blankFrom(text, from) {
  const found = /\{[^{}\n]*\}/.exec(text.slice(from));
  return found ? { start: from + found.index, end: from + found.index + found[0].length } : null;
}

/** Why a phrase cannot be kept under this name; "" when it can. @param {Phrase} phrase @param {readonly Phrase[]} others */
export function wrongWith(phrase, others) {
  if (!/^[^\s;]{1,24}$/.test(phrase.name)) return 'name';
  if (!phrase.text.trim() || phrase.text.length > 4000) return 'text';
  if (!WHERE.includes(phrase.where)) return 'where';
  return others.some(other => other.name === phrase.name && other.where === phrase.where) ? 'taken' : '';
}

/** @param {readonly Phrase[]} phrases */
export function toFile(phrases) {
  return `${JSON.stringify({ sesamoid_phrases: 1, phrases }, null, 2)}\n`;
}

/**
 * The phrases of a file; null when it is none of ours or one of them could not be kept.
 * @param {string} text
 * @returns {Phrase[] | null}
 */
export function fromFile(text) {
  try {
    const { sesamoid_phrases: version, phrases } = JSON.parse(text);
    if (version !== 1 || !Array.isArray(phrases)) return null;
    const found = phrases.map(({ name, text: words, where }) => ({ name: String(name), text: String(words), where: where ?? 'any' }));
    return found.some((phrase, at) => wrongWith(phrase, found.slice(0, at))) ? null : found;
  } catch {
    return null;
  }
}

/**
 * Phrases of a file over those that are there: the same name for the same field is replaced.
 * @param {readonly Phrase[]} here
 * @param {readonly Phrase[]} more
 */
export function merged(here, more) {
  const fresh = phrase => !more.some(other => other.name === phrase.name && other.where === phrase.where);
  return [...here.filter(fresh), ...more].sort((a, b) => a.name.localeCompare(b.name));
}
