// @ts-check
/** One line of the reading list. All text goes in as text: a script in a name is only seen. */

import { say } from './say.js';
import { ageOf, dicomDate, imagesOf, localMoment, patient, priorityOf, regionNames, speciesName, stateOf } from './words.js';

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

/** Number, date and site of a study; the date stays in one line. */
function particulars(row, site) {
  const parts = [row.patient_id, row.study_date && make('span', 'nowrap', dicomDate(row.study_date)), site].filter(Boolean);
  const made = make('span', 'sub');
  made.append(...parts.flatMap((part, i) => (i ? [' · ', part] : [part])));
  return made;
}

function mark(sign) {
  const made = make('span', 'mark', sign);
  made.setAttribute('aria-hidden', 'true');
  return made;
}

function arrival(row) {
  const shown = localMoment(row.last_object_at);
  const { text, long } = ageOf(row);
  return text ? cell('nowrap', make('span', long ? 'long' : '', text), sub(shown)) : cell('nowrap', make('span', '', shown));
}

function act(word, row, done) {
  const button = make('button', '', say(word));
  button.type = 'button';
  button.setAttribute('aria-label', say(`${word}_named`, { name: patient(row) }));
  button.addEventListener('click', event => {
    event.stopPropagation();
    done(row, button);
  });
  return button;
}

/**
 * @param {any} row of /api/studies
 * @param {{urgent: (row: any) => void, teaching: (row: any) => void, give: ((row: any) => void) | null}} acts called when its urgency
 *   is to change, a case is wanted, or it is to go to another clinic (null: nobody here may do that)
 * @param {string} [site] whose study it is, where the reader sees those of several
 */
export function rowOf(row, acts, site = '') {
  const line = make('tr');
  line.dataset.uid = row.study_uid;
  const link = make('a', '', patient(row));
  link.href = `/read?StudyInstanceUIDs=${encodeURIComponent(row.study_uid)}`;
  const said = priorityOf(row);
  const tag = said.text ? make('span', row.priority > 1 ? 'tag now' : 'tag', said.text) : null;
  if (tag) tag.title = said.by;
  const state = stateOf(row);
  const { images, remarks } = imagesOf(row);
  const closed = ['signed', 'withdrawn'].includes(row.state);
  const button = closed
    ? row.state === 'signed' && act('list.teaching', row, acts.teaching)
    : act('list.urgent', row, acts.urgent);
  if (button && !closed) button.setAttribute('aria-pressed', String(row.priority > 0));
  line.append(
    cell('', tag, link, particulars(row, site)),
    cell('nowrap', make('span', '', row.species ? speciesName(row.species) : say('list.unknown_species'))),
    cell('', make('span', '', regionNames(row.regions) || '–')),
    cell('question', make('span', '', row.question || row.description || '–'), row.missing ? make('span', 'missing', row.missing) : null),
    cell('nowrap', make('span', 'narrow', `${say('list.columns.images')} `), make('span', '', images), sub(remarks)),
    arrival(row),
    cell(state.wants ? 'state wants' : 'state', mark(state.mark), make('span', '', state.text), sub(state.detail)),
    cell('act', button, acts.give && act('list.give', row, acts.give)),
  );
  line.addEventListener('click', event => {
    const selecting = String(getSelection());
    if (!selecting && !(/** @type {Element} */ (event.target).closest('a, button'))) link.click();
  });
  return line;
}
