// @ts-check
/** Sessions by study, outside of all elements: the viewer may unmount a panel at any moment. */

import { Api } from './api.js';
import { Session } from './session.js';

/** @type {Map<string, Session>} */
const sessions = new Map();

/** Of this tab only; emptied as soon as the node has acknowledged. */
const keep = {
  get: study => attempt(() => sessionStorage.getItem(`sesamoid.unsaved.${study}`)) ?? null,
  set: (study, text) =>
    attempt(() =>
      text === null
        ? sessionStorage.removeItem(`sesamoid.unsaved.${study}`)
        : sessionStorage.setItem(`sesamoid.unsaved.${study}`, text)
    ),
};

function attempt(act) {
  try {
    return act();
  } catch {
    return null; // Storage is switched off: the queue still holds everything in memory.
  }
}

/** The session of a study; loading begins with the first call. */
export function sessionOf(/** @type {string} */ study) {
  let session = sessions.get(study);
  if (!session) {
    session = new Session(study, new Api(), keep);
    sessions.set(study, session);
    session.load();
  }
  return session;
}

/** The session of a study that is being read in this page; none is begun. */
export const knownSession = (/** @type {string} */ study) => sessions.get(study);

/** Whether something is not acknowledged yet, in any study. */
export function anythingUnsaved() {
  return [...sessions.values()].some(session => !session.queue.clean);
}

/** Send at once what waits. */
export function flushAll() {
  for (const session of sessions.values()) session.queue.flush();
}
