// @ts-check
/**
 * What the reader says of a structure, of a group, and with a line drawn on an image: each is one
 * change of the reading, to be undone and saved.
 */

import { eyeSheet, groupNormal, groupOf, isEye, sheetGroup, withShown } from './groups.js';
import * as change from './reading.js';
import { strings } from './strings.js';
import { openViews } from './walk.js';

/** @typedef {import('./session.js').Session} Session */

/** One key: normal in all open views of this item, then on to the next open one. */
export function normalNext(/** @type {Session} */ session) {
  const item = session.currentItem;
  if (!item || !session.walking) return;
  let reading = session.reading;
  for (const view of openViews(session.template, reading, item)) {
    reading = change.setObservation(reading, item.id, view.uid, { value: 'normal', note: '' });
  }
  session.commit(reading);
  session.next();
}

/**
 * One key for a group. The first press shows all members together and records that they were
 * shown; the second says normal wherever something is open, and goes on.
 */
export function normalOfGroup(/** @type {Session} */ session) {
  const group = session.sheet ? sheetGroup(session.template, session.sheet) : session.currentItem && groupOf(session.template, session.item);
  if (!group || session.signed || !session.walking) return;
  if (!session.sheet) return openGroup(session, group.id);
  const [eye, place] = [isEye(session.sheet), `${session.section} ${session.side}`];
  session.commit(groupNormal(session.template, eye ? withShown(session.template, session.reading, group.items) : session.reading, group));
  session.update({ sheet: '' });
  session.next();
  if (eye && session.walking && place !== `${session.section} ${session.side}`) birdsEye(session);
}

/** All structures of the section together; they count as shown once the sheet was seen to its end. */
export function birdsEye(/** @type {Session} */ session) {
  const sheet = eyeSheet(session.section, session.side);
  if (session.walking && sheetGroup(session.template, sheet)) session.update({ sheet, seenWhole: '', editing: '', message: '' });
}

export function openGroup(/** @type {Session} */ session, id) {
  const group = session.template.groups.find(one => one.id === id);
  if (!group) return;
  if (!group.items.includes(session.item)) session.choose(group.items[0]);
  for (const item of group.items) session.displayed.add(item);
  // That something was looked at is no answer: it is saved, but there is nothing to undo.
  const reading = withShown(session.template, session.reading, session.displayed);
  if (!session.signed && reading !== session.reading) {
    session.reading = reading;
    session.queue.put(reading);
  }
  session.update({ sheet: id, editing: '', message: '' });
}

/** The reader's word on the chosen item in `view`. */
export function answer(/** @type {Session} */ session, value, view = session.view) {
  const item = session.currentItem;
  if (!item || !view || session.signed) return;
  const before = change.observation(session.reading, item.id, view);
  const lost = before?.value === 'abnormal' && value !== 'abnormal';
  const rings = session.reading.outlines?.length ?? 0;
  const note = before?.note ?? '';
  let reading = change.setObservation(session.reading, item.id, view, value ? { value, note } : null);
  session.view = view;
  session.editing = '';
  if (value === 'abnormal') {
    const made = change.withFinding(session.template, reading, item, view);
    reading = made.reading;
    session.editing = made.finding.id;
  } else if (value) {
    session.view = openViews(session.template, reading, item)[0]?.uid ?? view;
  }
  const ringLost = (reading.outlines?.length ?? 0) < rings;
  session.commit(reading, lost ? strings.findingRemoved : ringLost ? strings.outlines.removed : '');
  session.update();
}

/** The finding of the structure in the view being read, else its first one. */
export function openFinding(/** @type {Session} */ session) {
  const ofItem = session.reading.findings.filter(finding => finding.item === session.item);
  const finding = ofItem.find(one => one.view === session.view) ?? ofItem[0];
  if (finding) session.update({ view: finding.view, editing: finding.id });
}

/** Values of an ordinal answer are taken back with the same key. */
export function clear(/** @type {Session} */ session) {
  answer(session, null);
}

export function setNote(/** @type {Session} */ session, item, view, note) {
  const before = change.observation(session.reading, item, view);
  if (before) session.commit(change.setObservation(session.reading, item, view, { ...before, note }), '', `note ${item} ${view}`);
}

/** A measurement was finished or changed in the viewer. */
export function measured(/** @type {Session} */ session, event) {
  if (!session.template.views.some(view => view.uid === event.uid)) return session.update({ message: strings.before.otherImage });
  if (!session.signed) session.commit(change.withDrawn(session, event));
}

export function measurementRemoved(/** @type {Session} */ session, id) {
  if (session.reading?.measurements.some(m => m.id === id)) {
    session.commit(change.dropMeasurement(session.reading, id), strings.measurementRemoved);
  }
}
