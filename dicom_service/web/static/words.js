// @ts-check
/** What the reading list says of a study: rows of /api/studies in, words out. */

import { say } from './say.js';

/** "Family^Given^Middle" as people write it. @param {string} name */
export function personName(name) {
  const [family = '', given = '', middle = '', prefix = '', suffix = ''] = name.split('=')[0].split('^');
  const first = [prefix, given, middle].filter(Boolean).join(' ');
  return [first, family, suffix].filter(Boolean).join(' ').trim();
}

/** @param {any} row */
export function patient(row) {
  return personName(row.patient_name) || row.patient_id || say('list.no_name');
}

/** @param {string[]} regions */
export function regionNames(regions) {
  return regions.map(region => region.replaceAll('_', ' ')).join(', ');
}

/**
 * @param {any} row
 * @returns {{mark: string, text: string, detail: string, wants: boolean}}
 *   `wants`: somebody has to do something
 */
export function stateOf(row) {
  const late = row.late_objects
    ? say('state.late', { n: row.late_objects }) : '';
  switch (row.state) {
    case 'arriving':
      return { mark: '…', text: say('state.arriving'), detail: '', wants: false };
    case 'waiting':
      return { mark: '○', text: say('state.waiting'), detail: '', wants: true };
    case 'reading':
      if (row.report_versions) return { mark: '◐', text: say('state.corrected_by', { reader: reader(row) }), detail: row.detail || version(row), wants: true };
      return { mark: '◐', text: row.reader ? say('state.read_by', { reader: reader(row) }) : say('state.reading'), detail: row.detail, wants: true };
    case 'failed':
      return { mark: '!', text: say('state.failed'), detail: row.detail, wants: true };
    case 'signed':
      return { ...withVersion(delivered(row), row), ...(late && { detail: late, wants: true }) };
    case 'withdrawn':
      return { mark: '×', text: say('state.withdrawn'), detail: say('state.do_not_use', { reader: personName(row.signed_by) }), wants: false };
    default:
      return { mark: '?', text: row.state, detail: row.detail, wants: false };
  }
}

function reader(row) {
  return personName(row.reader_name ?? '') || row.reader;
}

const HOUR = 3600000;

/**
 * How long a study waits to be read; nothing once it is signed.
 * @param {any} row  @param {number} [now]
 */
export function ageOf(row, now = Date.now()) {
  if (!['waiting', 'reading', 'failed'].includes(row.state)) return { text: '', long: false };
  const waits = Math.max(0, now - Date.parse(row.last_object_at));
  const minutes = Math.floor(waits / 60000);
  const text = minutes < 1 ? say('age.now') : minutes < 60 ? say('age.minutes', { n: minutes })
    : waits < 48 * HOUR ? say('age.hours', { n: Math.floor(waits / HOUR) }) : say('age.days', { n: Math.floor(waits / (24 * HOUR)) });
  return { text, long: waits >= 24 * HOUR };
}

/** @param {any} row */
export function priorityOf(row) {
  const text = row.priority ? say(`priority.${row.priority}`) : '';
  return { text, by: row.priority_by ? say('priority.set_by', { user: row.priority_by }) : say('priority.requested') };
}

/** Which version to go by, where there is more than one. @param {any} row */
export function version(row) {
  if (!(row.report_versions > 1)) return '';
  const kind = say(row.report_kind === 'addendum' ? 'state.with_addendum' : 'state.corrected');
  return say('state.version', { n: row.report_versions, kind, who: personName(row.signed_by), date: row.signed_at.slice(0, 10) });
}

function withVersion(state, row) {
  return { ...state, detail: [version(row), state.detail].filter(Boolean).join(' ') };
}

function delivered(row) {
  switch (row.delivery) {
    case 'owed':
      return { mark: '↑', text: say('state.owed'), detail: row.delivery_detail, wants: Boolean(row.delivery_detail) };
    case 'sent':
      return { mark: '↗', text: say('state.sent'), detail: row.delivery_detail || say('state.not_confirmed'), wants: false };
    case 'committed':
      return { mark: '●', text: say('state.committed'), detail: '', wants: false };
    case 'refused':
      return { mark: '!', text: say('state.refused'), detail: row.delivery_detail, wants: true };
    default:
      return { mark: '●', text: say('state.signed'), detail: '', wants: false };
  }
}

/** @param {any} row */
export function imagesOf(row) {
  return { images: String(row.images), remarks: row.remarks_count ? say('remarks', { n: row.remarks_count }) : '' };
}

const SPECIES = ['dog', 'cat', 'horse'];

/** @param {string} species */
export function speciesName(species) {
  return SPECIES.includes(species) ? say(`species.${species}`) : species;
}

/** Where the reader is, written as all dates here: 2026-01-31 09:05. @param {string} iso @param {boolean} [seconds] */
export function localMoment(iso, seconds = false) {
  const date = new Date(iso);
  if (Number.isNaN(date.getTime())) return '';
  const two = (/** @type {number} */ n) => String(n).padStart(2, '0');
  return `${date.getFullYear()}-${two(date.getMonth() + 1)}-${two(date.getDate())} ${two(date.getHours())}:${two(date.getMinutes())}${seconds ? `:${two(date.getSeconds())}` : ''}`;
}

/** "20260131" as 2026-01-31. @param {string} date */
export function dicomDate(date) {
  return /^\d{8}$/.test(date) ? `${date.slice(0, 4)}-${date.slice(4, 6)}-${date.slice(6)}` : date;
}
