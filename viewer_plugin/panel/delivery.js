// @ts-check
/** Signing, the addendum, and asking how far the documents have come. */

import { strings } from './strings.js';

/** @typedef {import('./session.js').Session} Session */

/** Sign what the node has; refused while something is still on its way to it. */
export async function sign(/** @type {Session} */ session, /** @type {string} */ password) {
  if (!session.queue.clean) return session.update({ signing: { busy: false, error: strings.sign.notSavedYet } });
  await deliver(session, () => session.api.sign(session.study, session.queue.version, password));
}

/** Sign an addendum; its draft goes only when it was signed. */
export async function addendum(/** @type {Session} */ session, /** @type {string} */ text, /** @type {string} */ password) {
  const done = await deliver(session, () => session.api.addendum(session.study, text, password));
  if (done) session.update({ drafts: { ...session.drafts, addendum: '' } });
}

async function deliver(session, act) {
  session.update({ signing: { busy: true, error: '' } });
  try {
    await act();
    await session.refresh();
    session.update({ signing: { busy: false, error: '' }, section: 'conclude', editing: '' });
    return true;
  } catch (error) {
    session.update({ signing: { busy: false, error: error.message } });
    return false;
  }
}

/** Whether a document is still on its way, so that asking again makes sense. */
export function delivering(/** @type {Session} */ session) {
  return session.documents.some(d => d.delivery && d.delivery !== 'committed' && d.delivery !== 'refused');
}
