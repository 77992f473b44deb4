// @ts-check
/**
 * Keys pressed while the focus is on the images go to the panel, and leaving the page with
 * something unsaved asks first. Both belong to the page, not to the panel, which may be unmounted.
 */

import { KEY_EVENT } from '../panel/element.js';
import { command, isEditable, isPressable } from '../panel/keys.js';
import { anythingUnsaved, flushAll } from '../panel/store.js';

/**
 * Hand keys to the panel before the viewer sees them. Its own key bindings are not used for this:
 * they know no space bar and can be changed by a setting in the browser.
 * @returns {() => void} how to stop
 */
export function listen() {
  const onKey = event => {
    const target = event.composedPath()[0];
    if (event.composedPath().some(node => node.localName === 'sesamoid-panel')) return;
    if (isEditable(target) || target.closest?.('[role=dialog], [role=menu]')) return;
    // A control reached with the keyboard keeps its own keys; one that was clicked does not.
    if (isPressable(target) && target.matches(':focus-visible')) return;
    const wanted = command(event);
    if (!wanted) return;
    event.preventDefault();
    event.stopImmediatePropagation();
    document.dispatchEvent(new CustomEvent(KEY_EVENT, { detail: wanted }));
  };
  window.addEventListener('keydown', onKey, true);
  return () => window.removeEventListener('keydown', onKey, true);
}

/** @returns {() => void} how to stop */
export function warnBeforeLeaving() {
  const onLeave = event => {
    if (!anythingUnsaved()) return;
    flushAll();
    event.preventDefault();
  };
  const onHidden = () => document.visibilityState === 'hidden' && flushAll();
  window.addEventListener('beforeunload', onLeave);
  document.addEventListener('visibilitychange', onHidden);
  return () => {
    window.removeEventListener('beforeunload', onLeave);
    document.removeEventListener('visibilitychange', onHidden);
  };
}
