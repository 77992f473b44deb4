// @ts-check
/** A structured report as headings and sentences; a pure function of its content tree. */

import { one } from './report_handler.js';
import { isCoded, placeLines } from './report_places.js';

const FINDING = '121071';
/** Who worded a text is said only when it was not the node. */
const WRITTEN_BY_NODE = 'WORDNODE';

/** @typedef {{level: number, heading: string} | {sentence: string, detail: string, images: string[]}} Line */

/** The list of content items of an item; the viewer gives a single one without a list. */
export function items(node) {
  const content = node?.ContentSequence;
  if (!content) return [];
  return Array.isArray(content) ? content : [content];
}

export const meaning = code => one(code)?.CodeMeaning ?? '';
export const name = item => meaning(item.ConceptNameCodeSequence);

/** The words of one item without its name. */
export function valueOf(item) {
  switch (item.ValueType) {
    case 'TEXT': return String(item.TextValue ?? '');
    case 'CODE': return meaning(item.ConceptCodeSequence);
    case 'NUM': {
      const measured = one(item.MeasuredValueSequence);
      const unit = one(measured?.MeasurementUnitsCodeSequence)?.CodeValue ?? '';
      return measured ? `${measured.NumericValue} ${unit === '1' ? '' : unit}`.trim() : '';
    }
    case 'PNAME': return person(item.PersonName);
    case 'DATE': return String(item.Date ?? '');
    case 'TIME': return String(item.Time ?? '');
    case 'DATETIME': return String(item.DateTime ?? '');
    default: return '';
  }
}

/** @param {any} value */
export function person(value) {
  const text = one(value)?.Alphabetic ?? one(value) ?? '';
  const [family = '', given = '', middle = '', prefix = '', suffix = ''] = String(text).split('^');
  return [prefix, given, middle, family, suffix].filter(Boolean).join(' ');
}

/** UIDs of the images that an item or what hangs on it refers to. */
function images(item) {
  const own = item.ValueType === 'IMAGE' ? [one(item.ReferencedSOPSequence)?.ReferencedSOPInstanceUID] : [];
  return [...own, ...items(item).flatMap(images)].filter(Boolean);
}

/** "finding site radial carpal bone; laterality right": what a plain text view would drop. */
function detail(item) {
  return items(item)
    .filter(child => one(child.ConceptCodeSequence)?.CodeValue !== WRITTEN_BY_NODE)
    .flatMap(child => {
      const value = valueOf(child);
      const inner = detail(child);
      const own = value && [name(child), value].filter(Boolean).join(' ');
      return [own, inner].filter(Boolean);
    })
    .join('; ');
}

/**
 * @param {any} root the instance
 * @returns {{body: Line[], places: import('./report_places.js').PlaceLine[], coded: Line[], context: Line[]}}
 *   coded: what our reports say again in codes
 */
export function reportLines(root) {
  /** @type {Line[]} */
  const body = [];
  /** @type {Line[]} */
  const context = [];
  /** @type {Line[]} */
  const coded = [];
  for (const item of items(root)) {
    const isContext = item.RelationshipType === 'HAS OBS CONTEXT' || item.RelationshipType === 'HAS CONCEPT MOD';
    collect(item, 2, isContext ? context : isCoded(item) ? coded : body);
  }
  return { body, places: placeLines(root), coded, context };
}

function collect(item, level, lines, top = true) {
  // Who wrote a part of it, an addendum, is told by the name; the rest of it is for programs.
  if (!top && item.RelationshipType === 'HAS OBS CONTEXT') {
    if (item.ValueType === 'PNAME') lines.push({ sentence: valueOf(item), detail: '', images: [] });
    return;
  }
  if (item.ValueType === 'CONTAINER') {
    const start = lines.length;
    lines.push({ level, heading: name(item) });
    for (const child of items(item)) collect(child, Math.min(level + 1, 4), lines, false);
    if (lines.length === start + 1) lines.pop();
    return;
  }
  const value = valueOf(item);
  const shown = images(item);
  if (!value && !shown.length) return;
  const plain = item.ValueType === 'TEXT' || one(item.ConceptNameCodeSequence)?.CodeValue === FINDING;
  lines.push({ sentence: plain ? value : [name(item), value].filter(Boolean).join(': '), detail: detail(item), images: shown });
}

/** What kind of document it is, as a reader must know before reading it. */
export function standing(instance) {
  const verified = instance.VerificationFlag === 'VERIFIED';
  const observer = one(instance.VerifyingObserverSequence);
  return {
    complete: instance.CompletionFlag === 'COMPLETE',
    verified,
    by: verified && observer ? person(observer.VerifyingObserverName) : '',
    at: verified && observer ? String(observer.VerificationDateTime ?? '') : '',
  };
}
