// @ts-check
/** The keys that the reader chose in this browser, by command; what is not here is as delivered. */

const KEPT = 'sesamoid.keys';

/** @type {Record<string, string> | null} */
let known = null;

/** @returns {Record<string, string>} */
export function ownKeys() {
  known ??= stored();
  return known;
}

/** @returns {boolean} whether they could be kept */
export function keepOwnKeys(/** @type {Record<string, string>} */ own) {
  try {
    localStorage.setItem(KEPT, JSON.stringify(own));
  } catch {
    return false;
  }
  known = own;
  return true;
}

/** Chosen in another tab: read anew with the next key. */
if (typeof window !== 'undefined') window.addEventListener('storage', () => { known = null; });

/** What cannot be a key is left out: the command then has the key as delivered. */
function stored() {
  try {
    const own = JSON.parse(localStorage.getItem(KEPT) ?? '{}');
    return Object.fromEntries(Object.entries(own).filter(([, key]) => typeof key === 'string' && [...key].length === 1));
  } catch {
    return {};
  }
}
