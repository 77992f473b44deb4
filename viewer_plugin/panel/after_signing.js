// @ts-check
/**
 * What can still be done with a signed report: add to it, correct it, withdraw it; and what a
 * reader has entered while somebody else signed. Nothing that was entered is dropped unasked.
 */

import { deliver } from './delivery.js';
import { strings } from './strings.js';

/** @typedef {import('./session.js').Session} Session */
/** @typedef {'' | 'addendum' | 'correction' | 'withdrawal'} Deed */

const text = strings.versions;

/** What may follow in this state. @returns {Deed[]} */
export function deeds(/** @type {string} */ state) {
  if (state === 'signed') return ['addendum', 'correction', 'withdrawal'];
  return state === 'withdrawn' ? ['correction'] : [];
}

/** Sign an addendum; its draft goes only when it was signed. */
export async function addendum(/** @type {Session} */ session, /** @type {string} */ password) {
  const words = session.drafts.addendum ?? '';
  const done = await deliver(session, () => session.api.addendum(session.study, words, password));
  if (done) settled(session, 'addendum', text.done.addendum);
}

/** Open the signed report again; what was kept aside goes into it. */
export async function reopen(/** @type {Session} */ session) {
  const reason = session.drafts.correction ?? '';
  const done = await deliver(session, () => session.api.reopen(session.study, reason));
  if (!done) return;
  settled(session, 'correction', text.done.correction);
  bringBack(session);
}

/** Drop a correction that was not signed. */
export async function giveUp(/** @type {Session} */ session) {
  // What is still on its way would be refused: it belongs to what is being dropped.
  session.queue.takeTheirs(session.queue.version);
  const done = await deliver(session, () => session.api.giveUp(session.study));
  if (!done) return;
  Object.assign(session, { undoStack: [], editing: '', sheet: '' });
  settled(session, '', text.done.givenUp);
}

/** Withdraw the report, in all its versions. */
export async function withdraw(/** @type {Session} */ session, /** @type {string} */ reason, /** @type {string} */ password) {
  const words = session.drafts.withdrawal ?? '';
  const done = await deliver(session, () => session.api.withdraw(session.study, { reason, text: words, password }));
  if (done) settled(session, 'withdrawal', text.done.withdrawal);
}

function settled(session, draft, message) {
  session.update({ deed: '', confirming: false, drafts: { ...session.drafts, [draft]: '' }, message });
}

// --- entered here while another reader signed

const asideKey = study => `${study} aside`;

/** A save was refused because the report is closed: keep what was entered, show what was signed. */
export async function overtaken(/** @type {Session} */ session) {
  const opening = await session.api.open(session.study).catch(() => null);
  const mine = session.queue.unsaved;
  if (!opening || mine === undefined || !['signed', 'withdrawn'].includes(opening.state)) return;
  session.keep.set(asideKey(session.study), JSON.stringify(mine));
  session.queue.takeTheirs(opening.version);
  Object.assign(session, { undoStack: [], editing: '', sheet: '', aside: mine, section: 'conclude' });
  session.take(opening);
}

/** What an earlier page kept aside. */
export function recallAside(/** @type {Session} */ session) {
  try {
    session.aside = JSON.parse(session.keep.get(asideKey(session.study)) ?? 'null');
  } catch {
    session.aside = null;
  }
}

/** What was kept aside becomes the reading; undo goes back to the signed one. */
export function bringBack(/** @type {Session} */ session) {
  const { aside } = session;
  if (!aside || session.signed) return;
  dropAside(session);
  session.commit({ ...aside, template_revision: session.reading.template_revision }, text.aside.back);
}

export function dropAside(/** @type {Session} */ session) {
  session.keep.set(asideKey(session.study), null);
  session.update({ aside: null });
}
