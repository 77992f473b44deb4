// @ts-check
/** One line of the reading list. All text goes in as text: a script in a name is only seen. */

import { ageOf, dicomDate, imagesOf, patient, priorityOf, regionNames, stateOf } from './words.js';

export function make(tag, kind = '', text = '') {
  const made = /** @type {any} */ (document.createElement(tag));
  if (kind) made.className = kind;
  if (text) made.textContent = text;
  return made;
}

function cell(kind, ...content) {
  const made = make('td', kind);
  made.append(...content.filter(Boolean));
  return made;
}

const sub = text => (text ? make('span', 'sub', text) : null);

function mark(sign) {
  const made = make('span', 'mark', sign);
  made.setAttribute('aria-hidden', 'true');
  return made;
}

function arrival(row) {
  const when = new Date(row.last_object_at);
  const shown = when.toLocaleString([], { dateStyle: 'short', timeStyle: 'short' });
  const { text, long } = ageOf(row);
  return text ? cell('nowrap', make('span', long ? 'long' : '', text), sub(shown)) : cell('nowrap', make('span', '', shown));
}

/**
 * @param {any} row of /api/studies
 * @param {(row: any) => void} urgent called when its urgency is to change
 */
export function rowOf(row, urgent) {
  const line = make('tr');
  line.dataset.uid = row.study_uid;
  const link = make('a', '', patient(row));
  link.href = `/read?StudyInstanceUIDs=${encodeURIComponent(row.study_uid)}`;
  const said = priorityOf(row);
  const tag = said.text ? make('span', row.priority > 1 ? 'tag now' : 'tag', said.text) : null;
  if (tag) tag.title = said.by;
  const state = stateOf(row);
  const { images, remarks } = imagesOf(row);
  const button = make('button', '', 'Urgent');
  button.type = 'button';
  button.setAttribute('aria-pressed', String(row.priority > 0));
  button.setAttribute('aria-label', `Urgent: ${patient(row)}`);
  button.addEventListener('click', event => {
    event.stopPropagation();
    urgent(row);
  });
  line.append(
    cell('', tag, link, sub([row.patient_id, dicomDate(row.study_date)].filter(Boolean).join(' · '))),
    cell('nowrap', make('span', '', row.species || 'unknown')),
    cell('', make('span', '', regionNames(row.regions) || '–')),
    cell('question', make('span', '', row.question || row.description || '–'), row.missing ? make('span', 'missing', row.missing) : null),
    cell('nowrap', make('span', '', images), sub(remarks)),
    arrival(row),
    cell(state.wants ? 'state wants' : 'state', mark(state.mark), make('span', '', state.text), sub(state.detail)),
    cell('act', button),
  );
  line.addEventListener('click', event => {
    const selecting = String(getSelection());
    if (!selecting && !(/** @type {Element} */ (event.target).closest('a, button'))) link.click();
  });
  return line;
}
