// @ts-check
/** Lists in sentences: the first few names, and how many more there are. */

const NAMES = 4;

/**
 * @param {string[]} names
 * @param {string} between
 * @param {(n: number) => string} more
 */
export function few(names, between, more) {
  const rest = names.length - NAMES;
  return (rest > 1 ? [...names.slice(0, NAMES), more(rest)] : names).join(between);
}
