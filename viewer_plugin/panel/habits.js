// @ts-check
/** How often this browser's reader used each descriptor, so that the most used fields come first. */

const KEY = 'sesamoid.used';

/** @type {Record<string, number> | null} */
let atStart = null;

/** Counts as they were when the page was opened: the order must not move under the hand. */
export function habits() {
  atStart ??= stored();
  return atStart;
}

export function countUse(/** @type {string} */ id) {
  const counts = stored();
  try {
    localStorage.setItem(KEY, JSON.stringify({ ...counts, [id]: (counts[id] ?? 0) + 1 }));
  } catch {
    // Storage is switched off or full: the order stays as it is.
  }
}

function stored() {
  try {
    const counts = JSON.parse(localStorage.getItem(KEY) ?? '{}');
    return Object.fromEntries(Object.entries(counts).filter(([, n]) => Number.isInteger(n)));
  } catch {
    return {};
  }
}
