// @ts-check
/** The keys that the reader chose for their account, by command; what is not here is as delivered. */

import { prefer, preferences } from './preferences.js';

/** What cannot be a key is left out: the command then has the key as delivered. @returns {Record<string, string>} */
export function ownKeys() {
  return Object.fromEntries(Object.entries(preferences().keys ?? {}).filter(([, key]) => typeof key === 'string' && [...key].length === 1));
}

/** @param {Record<string, string>} own @returns {Promise<boolean>} whether the node has them */
export function keepOwnKeys(own) {
  return prefer({ keys: own });
}
