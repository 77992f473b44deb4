// @ts-check
/** What the node says of the images, fetched before the viewer hangs them. */

/** @type {Map<string, import('./hanging.js').Facts>} */
let facts = new Map();

export const imageFacts = () => facts;

/** What is known of images of another study. @param {any[]} images */
export function addFacts(images) {
  for (const image of images) facts.set(image.uid, image);
}

/**
 * Fetch the facts of a study. Never fails: without them images hang as they are stored.
 * @param {string} study
 * @param {number} [patience] milliseconds after which the images come first
 */
export async function fetchFacts(study, patience = 3000) {
  if (!study) return;
  try {
    const answer = await fetch(`/api/studies/${study}/reading`, {
      credentials: 'same-origin',
      headers: { Accept: 'application/json' },
      signal: AbortSignal.timeout(patience),
    });
    if (!answer.ok) return;
    const { facts: all } = await answer.json();
    facts = new Map(all.images.map(image => [image.uid, image]));
  } catch (error) {
    console.error('sesamoid: the images hang as they are stored', error);
  }
}
