// @ts-check
/** Words and figures of the administrator's page. Pure. */

import { say } from './say.js';

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
  if (minutes < 1) return say('age.now');
  if (minutes < 60) return say('age.minutes', { n: minutes });
  if (minutes < 48 * 60) return say('age.hours', { n: Math.floor(minutes / 60) });
  return say('age.days', { n: Math.floor(minutes / 1440) });
}

/** @param {{role: string, kind: string}} row */
export function documentName(row) {
  return [row.role, row.kind === row.role ? '' : row.kind].filter(Boolean).map(part => say(`admin.documents.${part}`)).join(', ');
}

/** @param {{state: string, attempts: number, destination: string}} row */
export function deliveryWords(row) {
  if (row.state === 'refused') return { wants: true, sign: '!', text: say('admin.queue.states.refused') };
  if (!row.destination) return { wants: true, sign: '!', text: say('admin.queue.states.no_archive') };
  if (row.state === 'sent') return { wants: false, sign: '↗', text: say('admin.queue.states.sent') };
  if (row.attempts) return { wants: true, sign: '↑', text: say('admin.queue.states.failed', { times: row.attempts }) };
  return { wants: false, sign: '↑', text: say('admin.queue.states.waiting') };
}
