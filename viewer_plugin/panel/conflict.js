// @ts-check
/** Two tabs or readers have changed the same reading: one of the two wins, by the reader's choice. */

import { NO_ADVICE } from './advice.js';
import { strings } from './strings.js';

/** @typedef {import('./session.js').Session} Session */

/** Show the other version; undo brings back what was entered here. */
export async function loadTheirs(/** @type {Session} */ session) {
  const opening = await opened(session);
  if (!opening) return;
  session.remember();
  Object.assign(session, {
    reading: opening.reading, gaps: opening.gaps, documents: opening.documents, opening,
    advice: opening.advice ?? NO_ADVICE, message: strings.conflict.tookTheirs,
  });
  session.queue.takeTheirs(opening.version);
}

/** Save what was entered here on top of the other version. */
export async function keepMine(/** @type {Session} */ session) {
  const opening = await opened(session);
  if (opening) session.queue.keepMine(opening.version);
}

function opened(session) {
  return session.api.open(session.study).catch(error => session.update({ message: error.message }));
}
