// @ts-check
/** The dialog in which whoever looks after the whole node gives a study to another clinic. */

import { fillIn } from './forms.js';
import { call } from './node.js';
import { make } from './rows.js';
import { say } from './say.js';
import { patient } from './words.js';

const element = id => /** @type {any} */ (document.getElementById(id));

/**
 * @param {any} row of /api/studies
 * @param {Map<string, string>} sites names by id
 * @param {string} csrf
 * @param {(sentence: string) => void} given called once it is there
 */
export function give(row, sites, csrf, given) {
  const name = patient(row);
  element('give-what').textContent = say('list.giving.what', { name });
  element('give-site').replaceChildren(...[...sites].filter(([id]) => id !== row.site)
    .map(([id, shown]) => Object.assign(make('option', '', shown), { value: id })));
  fillIn('give', {}, async entered => {
    const path = `/api/admin/studies/${encodeURIComponent(row.study_uid)}/site`;
    await call(path, { method: 'POST', body: JSON.stringify(entered), headers: { 'X-Sesamoid-Token': csrf } });
    given(say('list.giving.given', { name, site: sites.get(entered.site) }));
  });
}
