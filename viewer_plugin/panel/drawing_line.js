// @ts-check
/** A length or an angle is begun, from a key or a button: said how, then the images take over. */

import { strings } from './strings.js';

/** @param {import('./session.js').Session} session @param {import('../host/host.js').Host} host @param {'length'|'angle'} kind */
export function drawOn(session, host, kind) {
  if (session.signed) return;
  session.update({ message: strings.plain.how[kind] });
  host.startTool(kind);
}
