// @ts-check
/** What each command does: one table for keys in the panel, keys over the images, and the search. */

import * as answering from './answering.js';
import { drawOn } from './drawing_line.js';
import { nextOrNormal } from './group_sheet.js';
import { landmarksOf } from './landmarks.js';
import { outlinesOf } from './outlines.js';
import { quietPhrasing } from './phrasing.js';
import { askedViews } from './reading.js';
import { redo, undo } from './redo.js';
import { strings } from './strings.js';

/**
 * @typedef {{panel: import('./element.js').PanelElement, session: import('./session.js').Session,
 *   host: import('../host/host.js').Host, index: number}} Context
 */

/** Answers for the structure at hand. @type {Record<string, string>} */
const VALUES = { abnormal: 'abnormal', variant: 'variant', undetermined: 'undetermined', notAssessable: 'not_assessable' };

/** Others that would answer for a structure while something is being measured on it. */
const MUTE = new Set(['normalNext', 'groupNormal', 'clear']);

/** A key for one structure has no meaning while a whole group is before the reader. */
const alone = (/** @type {Context['session']} */ session) => session.walking && !session.help && !session.sheet;

/** @type {Record<string, (context: Context) => unknown>} */
const ACTS = {
  normalNext: ({ session }) => alone(session) && answering.normalNext(session),
  groupNormal: ({ panel, session }) => !session.help && nextOrNormal(session, panel.stage.querySelector('.sheet')),
  birdsEye: ({ session, host }) => !session.help && session.walking && (answering.birdsEye(session), host.whole()),
  takeOver,
  takeSummary: ({ panel, session }) => session.section === 'conclude' && panel.takeOver('[data-summary]'),
  clear: ({ session }) => alone(session) && answering.clear(session),
  next: ({ session }) => session.next(),
  previous: ({ session }) => session.previous(),
  sectionBefore: ({ session }) => session.stepSection(-1),
  sectionAfter: ({ session }) => session.stepSection(1),
  view: ({ panel, session, index }) => panel.chooseView(session.currentItem && askedViews(session.template, session.currentItem)[index]),
  note: ({ panel, session }) => panel.focusOn(`[data-field="note ${session.view}"]`) || panel.focusOn('[data-field]') || (session.walking && session.update({ message: strings.card.noteLater })),
  editFinding: ({ session }) => answering.openFinding(session),
  length: ({ session, host }) => drawOn(session, host, 'length'),
  angle: ({ session, host }) => drawOn(session, host, 'angle'),
  measure: ({ panel, session }) => alone(session) && panel.measure(),
  landmarks: ({ panel, session }) => alone(session) && panel.landmarks(),
  outline: ({ panel, session }) => alone(session) && panel.outline(),
  hideOutlines: ({ session }) => outlinesOf(session).toggle(),
  whole: ({ host }) => host.whole(),
  conclude: ({ session }) => session.chooseSection('conclude'),
  before: ({ session }) => (session.section === 'before' ? session.back() : session.chooseSection('before')),
  undo: ({ session }) => undo(session),
  redo: ({ session }) => redo(session),
  phrases: ({ session }) => session.update({ help: 'phrases', phrasing: quietPhrasing() }),
  search: ({ session }) => session.update({ help: 'search', sought: { words: '', at: 0 } }),
  help: ({ session }) => session.update({ help: session.help ? '' : 'keys', rekeying: { name: '', said: '', bad: false } }),
  close: ({ panel }) => panel.close(),
};

/** What was just proposed, whoever proposed it, is taken. */
function takeOver(/** @type {Context} */ { panel, session }) {
  const [landmarks, rings] = [landmarksOf(session), outlinesOf(session)];
  if (landmarks.active) landmarks.accept();
  else if (rings.active) rings.close();
  else if (session.measuring.active) session.measuring.accept();
  else if (session.editing) panel.takeOver('[data-attach]');
  else if (session.section === 'conclude') panel.takeOver('[data-take]');
}

/** @param {Context} context @param {string} name of the command */
export function carryOut(context, name) {
  const { session } = context;
  const busy = session.measuring.active || landmarksOf(session).active || outlinesOf(session).active;
  if (busy && (name in VALUES || MUTE.has(name))) return;
  if (name in VALUES) alone(session) && answering.answer(session, VALUES[name]);
  else ACTS[name]?.(context);
}
