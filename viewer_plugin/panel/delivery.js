// @ts-check
/** Signing, and asking how far the documents have come. */

import { strings } from './strings.js';

/** @typedef {import('./session.js').Session} Session */

/** Sign what the node has; refused while something is still on its way to it. */
export async function sign(/** @type {Session} */ session, /** @type {string} */ password) {
  if (!session.queue.clean) return session.update({ signing: { busy: false, error: strings.sign.notSavedYet } });
  await deliver(session, () => session.api.sign(session.study, session.queue.version, password));
}

/**
 * Do something that makes or drops a version of the report, then show how things stand.
 * @param {Session} session
 * @param {() => Promise<any>} act
 */
export async function deliver(session, act) {
  session.update({ signing: { busy: true, error: '' } });
  try {
    await act();
    await session.refresh();
    session.update({ signing: { busy: false, error: '' }, section: 'conclude', editing: '' });
    return true;
  } catch (error) {
    // Somebody else was first: the refusal is better understood beside what they did.
    if (error.status === 409 || error.status === 412) await session.refresh().catch(() => {});
    session.update({ signing: { busy: false, error: error.message }, message: '' });
    return false;
  }
}

/** Whether a document is still on its way, so that asking again makes sense. */
export function delivering(/** @type {Session} */ session) {
  return session.documents.some(d => d.delivery && d.delivery !== 'committed' && d.delivery !== 'refused');
}
