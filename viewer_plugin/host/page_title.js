// @ts-check
/**
 * The title of the page: species and region, so that tabs can be told apart. Titles end up in the
 * history of the browser and of whoever it is synchronised with: nothing in them says which animal.
 */

import { regionText } from '../panel/header.js';
import { lower, strings } from '../panel/strings.js';

/** "Dog, right carpus and manus – Sesamoid"; "" before the study is known. */
export function pageTitle(/** @type {any} */ session) {
  if (session.status !== 'ready') return '';
  const species = strings.species[session.template.species] ?? '';
  const words = [species, lower(regionText(session.template))].filter(Boolean).join(', ');
  return `${words.slice(0, 1).toUpperCase()}${words.slice(1)} – Sesamoid`;
}

/**
 * Give the page the title of what is read on it.
 * @param {import('../panel/session.js').Session} session
 * @returns {() => void} gives back the title from before
 */
export function titled(session) {
  const before = document.title;
  const follow = () => {
    const title = pageTitle(session);
    if (title && document.title !== title) document.title = title;
  };
  follow();
  const stop = session.subscribe(follow);
  return () => {
    stop();
    document.title = before;
  };
}
