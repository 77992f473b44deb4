// @ts-check
/**
 * What was undone can be done again as long as nothing else was entered since: it is kept by the
 * reading that undoing led to, so a new entry leaves it behind by itself.
 */

import { strings } from './strings.js';

/** @type {WeakMap<object, {reading: any, item: string, section: string, view: string}>} */
const undone = new WeakMap();

/** @param {import('./session.js').Session} session */
export function undo(session) {
  const { reading, item, section, view } = session;
  session.undo();
  if (session.reading !== reading) undone.set(session.reading, { reading, item, section, view });
}

/** @param {import('./session.js').Session} session */
export function redo(session) {
  const after = undone.get(session.reading);
  if (!after || session.signed) return session.update({ message: strings.nothingToRedo });
  session.remember();
  Object.assign(session, { ...after, editing: '', sheet: '', message: strings.redone });
  session.queue.put(after.reading);
}
