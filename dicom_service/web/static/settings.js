// @ts-check
/** Language and colours of the account, chosen on our own pages. */

import { CHANGED, connect, prefer, preferences } from '/plugin/panel/preferences.js';
import { call } from './node.js';

const page = document.documentElement;
const field = id => /** @type {any} */ (document.getElementById(id));

/** @param {string} csrf token of the session */
export function settingsOf(csrf) {
  const headers = { 'X-Sesamoid-Token': csrf };
  connect(async change => (await call('/api/preferences', { method: 'PATCH', body: JSON.stringify(change), headers })).content);
  field('choose-theme').addEventListener('change', () => prefer({ theme: field('choose-theme').value }));
  field('choose-language').addEventListener('change', async () => {
    if (await prefer({ language: field('choose-language').value })) location.reload();
  });
  const wear = () => {
    page.dataset.theme = field('choose-theme').value = preferences().theme;
  };
  window.addEventListener(CHANGED, wear);
  window.addEventListener('storage', wear);
  const sheet = field('settings');
  document.addEventListener('click', event => sheet.contains(event.target) || sheet.removeAttribute('open'));
  sheet.addEventListener('keydown', event => {
    if (event.key !== 'Escape' || !sheet.open) return;
    sheet.open = false;
    sheet.querySelector('summary').focus();
  });
}
