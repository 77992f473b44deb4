// @ts-check
/** A presentation state over its images: drawn, windowed and turned as it was signed. */

import { readState } from '../host/presentation.js';
import { strings } from './strings.js';

/** @typedef {import('./session.js').Session} Session */

/** Show what a presentation state holds, or take it away again. */
export async function togglePresentation(/** @type {Session} */ session, host, document) {
  if (session.presented?.uid === document.sop_instance_uid) return session.update({ presented: null });
  try {
    const state = readState(await session.api.presentation(session.study, document));
    session.update({ presented: { uid: document.sop_instance_uid, layer: state.layer }, message: '' });
    host.show(state.images.map(image => image.uid));
    // The images that were just brought to the screen have to be there first.
    setTimeout(() => state.images.forEach(image => host.present(image)), 300);
  } catch (error) {
    session.update({ message: strings.documents.notPresented(error.message) });
  }
}
