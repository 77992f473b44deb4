// @ts-check
/** What each image is taken for, how sure that is, and putting it right. */

import { h } from './dom.js';
import { strings } from './strings.js';

const text = strings.images;

const LABELS = 4;
/** In place of an image: what is put right is the animal. */
const ANIMAL = 'animal';

/** The images in the head of the panel: closed a line, open a row with a form for each. */
export function imageRows(ctx) {
  const { session } = ctx;
  const { facts, template } = session.opening;
  const doubts = facts.images.map(doubt).filter(Boolean).length;
  const { views } = template;
  const labels = views.length > LABELS ? text.count(views.length) : views.map(view => view.label).join(', ');
  return h('details', { key: 'images', class: 'images' },
    h('summary', null, h('span', null, labels || text.title), doubts > 0 && h('span', { class: 'doubt' }, `? ${text.doubts(doubts)}`)),
    h('ul', null, animalRow(session), facts.images.map(image => imageRow(ctx, image))));
}

/** "guessed" before "inferred": the least sure of what is known of an image; "" when all is stated. */
export function doubt(image) {
  const both = [image.view_confidence, image.region_confidence];
  return both.includes('guessed') ? 'guessed' : both.includes('inferred') ? 'inferred' : '';
}

/** The species is the same for all images; it may be missing or wrong in the header. */
function animalRow(session) {
  const { choices, facts } = session.opening;
  if (!choices?.species?.length || session.signed) return null;
  const { species, species_found_in: from, species_text: said } = facts.signalment;
  const name = choices.species.find(one => one.id === species)?.name ?? (said || text.unknown);
  const open = session.correcting.image === ANIMAL;
  const toggle = () => session.update({ correcting: { image: open ? '' : ANIMAL, busy: false, error: '' } });
  const submit = event => {
    event.preventDefault();
    const given = new FormData(event.target).get('species');
    put(session, ANIMAL, given && given !== species && (() => session.api.correctSpecies(session.study, String(given))), text.speciesCorrected);
  };
  return h('li', { key: 'animal' },
    h('div', { class: 'image-row' }, h('span', null, h('strong', null, text.species), ` · ${name}`), h('span', { class: 'dim' }, from === 'reader' ? text.byReader : ''),
      h('button', { class: 'link', 'aria-label': text.correctNamed(text.species), 'aria-expanded': String(open), onclick: toggle }, text.correct)),
    open && h('form', { key: 'form', class: 'correction', onsubmit: submit, 'aria-label': text.correctNamed(text.species) },
      h('label', { class: 'label' }, text.species, h('select', { name: 'species' },
        !species && h('option', { value: '' }, text.unknown),
        choices.species.map(one => h('option', { key: one.id, value: one.id, selected: one.id === species }, one.name)))),
      h('p', { class: 'dim' }, text.speciesHint), endOfForm(session)));
}

function endOfForm(session) {
  const { busy, error } = session.correcting;
  return [error && h('p', { key: 'error', class: 'bad', role: 'alert' }, error),
    h('div', { key: 'buttons', class: 'buttons' },
      h('button', { class: 'btn', type: 'submit', disabled: busy }, text.put),
      h('button', { class: 'btn', type: 'button', onclick: () => session.update({ correcting: { image: '', busy: false, error: '' } }) }, text.cancel))];
}

function imageRow({ session, host }, image) {
  const view = session.template.views.find(v => v.uid === image.uid);
  const label = view?.label ?? image.view;
  const how = (what, confidence, from) => confidence && confidence !== 'stated' && h('span', { key: what, class: 'doubt' }, `? ${text.how(what, confidence, from)}`);
  const open = session.correcting.image === image.uid;
  const toggle = () => session.update({ correcting: { image: open ? '' : image.uid, busy: false, error: '' } });
  return h('li', { key: image.uid },
    h('div', { class: 'image-row' },
      h('span', null, h('strong', null, label), ` · ${strings.sides[image.side]} · ${regionNames(session, image) || text.noRegion}`),
      h('button', { class: 'link', 'aria-label': text.show(label), onclick: () => host.show([image.uid]) }, strings.finding.look),
      !session.signed && session.opening.choices && h('button', { class: 'link', 'aria-label': text.correctNamed(label), 'aria-expanded': String(open), onclick: toggle }, text.correct)),
    how(text.view, image.view_confidence, image.view_found_in), how(text.region, image.region_confidence, image.region_found_in),
    open && form(session, image, label));
}

function regionNames(session, image) {
  const names = new Map((session.opening.choices?.regions ?? []).map(r => [r.id, r.name]));
  return image.regions.map(id => names.get(id) ?? id.replaceAll('_', ' ')).join(', ');
}

function form(session, image, label) {
  const { views, regions, sides } = session.opening.choices;
  const submit = event => {
    event.preventDefault();
    const given = new FormData(event.target);
    correct(session, image, { view: given.get('view'), side: given.get('side'), regions: given.getAll('regions') });
  };
  const option = (value, words, now) => h('option', { key: value || 'none', value, selected: value === now }, words);
  return h('form', { key: 'form', class: 'correction', onsubmit: submit, 'aria-label': text.correctNamed(label) },
    h('div', { class: 'pairs' },
      h('label', { class: 'label' }, text.view, h('select', { name: 'view' }, option('', text.unknown, image.view), views.map(one => option(one, one, image.view)))),
      h('label', { class: 'label' }, text.side, h('select', { name: 'side' }, sides.map(one => option(one, strings.sides[one], image.side))))),
    h('fieldset', null, h('legend', { class: 'dim' }, text.region),
      h('div', { class: 'boxes' }, regions.map(one => h('label', { key: one.id, class: 'evidence' },
        h('input', { type: 'checkbox', name: 'regions', value: one.id, checked: image.regions.includes(one.id) }), h('span', null, one.name))))),
    endOfForm(session));
}

/** What differs from what the image was taken for; null when nothing does. */
export function difference(image, given) {
  const same = (a, b) => [...a].sort().join() === [...b].sort().join();
  const change = {
    ...(given.view !== image.view && { view: given.view }),
    ...(given.side !== image.side && { side: given.side }),
    ...(!same(given.regions, image.regions) && { regions: given.regions }),
  };
  return Object.keys(change).length ? change : null;
}

/** Put an image right; the node makes a new template and carries over what was entered. */
async function correct(session, image, given) {
  const change = difference(image, given);
  return put(session, image.uid, change && (() => session.api.correct(session.study, { image_uid: image.uid, ...change })), text.corrected);
}

/** @param {any} session  @param {string} what  @param {any} ask falsy: nothing has changed  @param {string} words */
async function put(session, what, ask, words) {
  if (!ask) return session.update({ correcting: { image: '', busy: false, error: '' } });
  if (!session.queue.clean) return session.update({ correcting: { image: what, busy: false, error: text.notSavedYet } });
  session.update({ correcting: { image: what, busy: true, error: '' } });
  try {
    const opening = await ask();
    // What could be undone belonged to the template before.
    Object.assign(session, { undoStack: [], editing: '', sheet: '', correcting: { image: '', busy: false, error: '' } });
    session.take(opening);
    session.update({ message: words });
  } catch (error) {
    session.update({ correcting: { image: what, busy: false, error: error.message } });
  }
}
