// @ts-check
/** What the reading list says of a study. Pure: rows of /api/studies in, words out. */

/** "Family^Given^Middle" as people write it. @param {string} name */
export function personName(name) {
  const [family = '', given = '', middle = '', prefix = '', suffix = ''] = name.split('=')[0].split('^');
  const first = [prefix, given, middle].filter(Boolean).join(' ');
  return [first, family, suffix].filter(Boolean).join(' ').trim();
}

/** @param {any} row */
export function patient(row) {
  const [family = '', given = ''] = row.patient_name.split('=')[0].split('^');
  // In veterinary practice the family name is the owner's.
  return [given, family].filter(Boolean).join(', ') || row.patient_id || 'no name';
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
    ? `${count(row.late_objects, 'image')} came after signing: correct the report.` : '';
  switch (row.state) {
    case 'arriving':
      return { mark: '…', text: 'Arriving', detail: '', wants: false };
    case 'waiting':
      return { mark: '○', text: 'To read', detail: '', wants: true };
    case 'reading':
      if (row.report_versions) return { mark: '◐', text: `Being corrected by ${reader(row)}`, detail: row.detail || version(row), wants: true };
      return { mark: '◐', text: row.reader ? `Being read by ${reader(row)}` : 'Being read', detail: row.detail, wants: true };
    case 'failed':
      return { mark: '!', text: 'Not prepared', detail: row.detail, wants: true };
    case 'signed':
      return { ...withVersion(delivered(row), row), ...(late && { detail: late, wants: true }) };
    case 'withdrawn':
      return { mark: '×', text: 'Withdrawn', detail: `By ${personName(row.signed_by)}: do not use the report.`, wants: false };
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
  const text = minutes < 1 ? 'just now' : minutes < 60 ? `${minutes} min`
    : waits < 48 * HOUR ? `${Math.floor(waits / HOUR)} h` : `${Math.floor(waits / (24 * HOUR))} days`;
  return { text, long: waits >= 24 * HOUR };
}

/** @param {any} row */
export function priorityOf(row) {
  const text = ['', 'Urgent', 'At once'][row.priority ?? 0] ?? '';
  return { text, by: row.priority_by ? `Set by ${row.priority_by}` : 'As requested' };
}

/** Which version to go by, where there is more than one. @param {any} row */
export function version(row) {
  if (!(row.report_versions > 1)) return '';
  const kind = row.report_kind === 'addendum' ? 'with addendum' : 'corrected';
  return `Version ${row.report_versions} of ${row.report_versions}, ${kind}, ${personName(row.signed_by)} ${row.signed_at.slice(0, 10)}.`;
}

function withVersion(state, row) {
  return { ...state, detail: [version(row), state.detail].filter(Boolean).join(' ') };
}

function delivered(row) {
  switch (row.delivery) {
    case 'owed':
      return { mark: '↑', text: 'Signed, waiting to be sent', detail: row.delivery_detail, wants: Boolean(row.delivery_detail) };
    case 'sent':
      return { mark: '↗', text: 'Signed and sent', detail: row.delivery_detail || 'The archive has not confirmed it yet.', wants: false };
    case 'committed':
      return { mark: '●', text: 'Signed, kept by the archive', detail: '', wants: false };
    case 'refused':
      return { mark: '!', text: 'Signed, refused by the archive', detail: row.delivery_detail, wants: true };
    default:
      return { mark: '●', text: 'Signed', detail: '', wants: false };
  }
}

/** @param {any} row */
export function imagesOf(row) {
  return { images: String(row.images), remarks: row.remarks_count ? count(row.remarks_count, 'remark') : '' };
}

/** @param {number} number  @param {string} thing */
export function count(number, thing) {
  return `${number} ${thing}${number === 1 ? '' : 's'}`;
}

/** "20260131" as 2026-01-31. @param {string} date */
export function dicomDate(date) {
  return /^\d{8}$/.test(date) ? `${date.slice(0, 4)}-${date.slice(4, 6)}-${date.slice(6)}` : date;
}
