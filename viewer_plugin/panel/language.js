// @ts-check
/** The language of the panel: the reader's choice in this browser, else that of the node. */

/** @type {Record<string, string>} */
export const LANGUAGES = { en: 'English', de: 'Deutsch' };

const CHOICE = 'sesamoid.language';
const COOKIE = /(?:^|;\s*)sesamoid_language=([a-z]{2})(?:;|$)/;

/**
 * @param {string | null} choice
 * @param {string} cookies the node's setting comes as a cookie
 */
export function languageOf(choice, cookies) {
  const wanted = choice ?? COOKIE.exec(cookies)?.[1] ?? 'en';
  return wanted in LANGUAGES ? wanted : 'en';
}

function chosen() {
  try {
    return localStorage.getItem(CHOICE);
  } catch {
    return null; // Storage is switched off: the node's setting counts.
  }
}

export const language = languageOf(typeof localStorage === 'undefined' ? null : chosen(), typeof document === 'undefined' ? '' : document.cookie);

/** From the next loading of the page on. */
export function choose(/** @type {string} */ wanted) {
  try {
    localStorage.setItem(CHOICE, wanted);
  } catch {
    return false;
  }
  return true;
}

/**
 * `more` laid over `base`: what it lacks stays as it is in `base`.
 * @template T
 * @param {T} base
 * @param {any} more
 * @returns {T}
 */
export function laidOver(base, more) {
  if (more === undefined) return base;
  if (!base || typeof base !== 'object') return more;
  return /** @type {any} */ (Object.fromEntries(Object.entries(base).map(([key, value]) => [key, laidOver(value, more[key])])));
}
