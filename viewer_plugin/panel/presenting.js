// @ts-check
/** What was signed over its images: a presentation state drawn as it was, key images brought to the screen. */

import { keyImagesOf } from '../host/key_images.js';
import { readState } from '../host/presentation.js';
import { strings } from './strings.js';

/** @typedef {import('./session.js').Session} Session */

/** Show what a presentation state holds, or take it away again. */
export async function togglePresentation(/** @type {Session} */ session, host, document) {
  if (session.presented?.uid === document.sop_instance_uid) return session.update({ presented: null });
  try {
    const state = readState(await session.api.header(session.study, document));
    session.update({ presented: { uid: document.sop_instance_uid, layer: state.layer }, message: '' });
    host.show(state.images.map(image => image.uid));
    // The images that were just brought to the screen have to be there first.
    setTimeout(() => state.images.forEach(image => host.present(image)), 300);
  } catch (error) {
    session.update({ message: strings.documents.notPresented(error.message) });
  }
}

/** Bring the images that the report points to to the screen, as far as there is room. */
export async function showKeyImages(/** @type {Session} */ session, host, document) {
  try {
    const uids = keyImagesOf(await session.api.header(session.study, document));
    host.show(uids);
    const views = session.template.views.filter(view => uids.includes(view.uid));
    session.update({ message: strings.documents.keyImages(views.map(view => view.label).join(', ')) });
  } catch (error) {
    session.update({ message: strings.documents.noKeyImages(error.message) });
  }
}
