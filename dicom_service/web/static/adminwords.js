// @ts-check
/** Words and figures of the administrator's page. Pure. */

/** @param {number} count */
export function bytes(count) {
  const units = ['B', 'kB', 'MB', 'GB', 'TB'];
  let at = 0;
  let value = count;
  while (value >= 1000 && at < units.length - 1) {
    value /= 1000;
    at += 1;
  }
  return `${at === 0 || value >= 100 ? Math.round(value) : value.toFixed(1)} ${units[at]}`;
}

/** How long ago, in the largest unit that fits. @param {string} text  @param {number} [now] */
export function since(text, now = Date.now()) {
  const minutes = Math.max(0, Math.floor((now - Date.parse(text)) / 60000));
  if (minutes < 1) return 'just now';
  if (minutes < 60) return `${minutes} min`;
  if (minutes < 48 * 60) return `${Math.floor(minutes / 60)} h`;
  return `${Math.floor(minutes / 1440)} days`;
}

/** @param {{role: string, kind: string}} row */
export function documentName(row) {
  return [row.role, row.kind === row.role ? '' : row.kind].filter(Boolean).join(', ').replaceAll('_', ' ');
}

/** @param {{state: string, attempts: number, destination: string}} row */
export function deliveryWords(row) {
  if (row.state === 'refused') return { wants: true, sign: '!', text: 'refused' };
  if (!row.destination) return { wants: true, sign: '!', text: 'waits for an archive' };
  if (row.state === 'sent') return { wants: false, sign: '↗', text: 'sent, not confirmed yet' };
  if (row.attempts) return { wants: true, sign: '↑', text: `failed ${row.attempts}×, tried again by itself` };
  return { wants: false, sign: '↑', text: 'waiting to be sent' };
}
