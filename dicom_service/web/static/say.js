// @ts-check
/** The words of a page in its language: the node puts them into the page as JSON. */

/** @type {any} */
let words = typeof document === 'undefined' ? {} : JSON.parse(document.querySelector('meta[name=words]')?.getAttribute('content') ?? '{}');

/** For tests, which have no page. */
export function useWords(/** @type {any} */ given) {
  words = given;
}

/**
 * @param {string} path of the word
 * @param {Record<string, string | number>} [values] for its gaps; `n` chooses singular or plural
 */
export function say(path, values = {}) {
  let found = words;
  for (const part of path.split('.')) found = found?.[part];
  const text = found && typeof found === 'object' ? found[values.n === 1 ? 'one' : 'other'] : found;
  return String(text ?? path).replace(/\{(\w+)\}/g, (gap, name) => String(values[name] ?? gap));
}
