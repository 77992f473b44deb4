// @ts-check
/**
 * Before a signature, whoever has no password here shows at the provider once more who they are, in
 * a window of its own. The page that it ends on says so on a channel: the provider's pages may have
 * cut the tie between the two windows, so that neither sees whether the other is still there.
 */

import { strings } from './strings.js';

/** @typedef {import('./session.js').Session} Session */

const CHANNEL = 'sesamoid-confirmed';
/** As long as the node waits for somebody to come back. */
const PATIENCE_MS = 10 * 60 * 1000;

/** @type {(() => void) | null} ends the waiting that another press of the button replaces */
let giveUp = null;

/** Whether only the provider can say who this is. */
export function byProvider(/** @type {Session} */ session) {
  return session.api.confirms === 'provider';
}

/**
 * Open the window and wait for its word; call it while a press of a button is handled.
 * @param {Session} session
 * @returns {Promise<boolean>}
 */
export function confirmed(session, open = /** @type {(address: string) => unknown} */ (openWindow)) {
  giveUp?.();
  const channel = new BroadcastChannel(CHANNEL);
  return new Promise(resolve => {
    const end = (/** @type {boolean} */ good, error = '') => {
      channel.close();
      clearTimeout(late);
      giveUp = null;
      session.update({ signing: { busy: false, waiting: false, error } });
      resolve(good);
    };
    const late = setTimeout(() => end(false), PATIENCE_MS);
    giveUp = () => end(false);
    channel.onmessage = ({ data }) => data?.study === session.study && end(true);
    if (open(`/oidc/confirm?study=${session.study}`)) session.update({ signing: { busy: false, waiting: true, error: '' } });
    else end(false, strings.sign.noWindow);
  });
}

function openWindow(/** @type {string} */ address) {
  return window.open(address, 'sesamoid-confirm', 'popup,width=560,height=720');
}
