// @ts-check
/** The dialog in which an administrator decides about a copy in quarantine. */

import { call } from './node.js';
import { make } from './rows.js';
import { say } from './say.js';
import { patient } from './words.js';

const element = id => /** @type {any} */ (document.getElementById(id));

/**
 * Show in what the copies differ, and ask.
 * @param {number} number of the copy
 * @returns {Promise<{decision: string, reason: string} | null>} null: nothing was decided
 */
export async function ask(number) {
  const { content } = await call(`/api/admin/quarantine/${number}`);
  const dialog = element('decide');
  const { sop_instance_uid: uid, source: second } = content.copy;
  element('decide-about').textContent =
    say('admin.decide.about', { name: patient(content.copy), uid, first: content.first.source, second });
  element('decide-rows').replaceChildren(...content.differences.map(line));
  element('decide-none').hidden = content.differences.length > 0;
  element('decide-table').hidden = content.differences.length === 0;
  element('decide-reason').value = '';
  dialog.returnValue = '';
  dialog.showModal();
  return new Promise(resolve => {
    dialog.addEventListener('close', () => {
      const decision = dialog.returnValue;
      resolve(decision ? { decision, reason: element('decide-reason').value.trim() } : null);
    }, { once: true });
  });
}

function line({ tag, name, first, second }) {
  const made = make('tr');
  const head = make('th', '', name);
  head.scope = 'row';
  head.append(make('span', 'sub uid', tag));
  made.append(head, make('td', '', first || '–'), make('td', '', second || '–'));
  return made;
}
