// @ts-check
/** The language of the panel: what the node found out about reader and browser, in a cookie. */

/** @type {Record<string, string>} */
export const LANGUAGES = { en: 'English', de: 'Deutsch' };

const COOKIE = /(?:^|;\s*)sesamoid_language=([a-z]{2})(?:;|$)/;

/** @param {string} cookies */
export function languageOf(cookies) {
  const wanted = COOKIE.exec(cookies)?.[1] ?? 'en';
  return wanted in LANGUAGES ? wanted : 'en';
}

export const language = languageOf(typeof document === 'undefined' ? '' : document.cookie);

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
