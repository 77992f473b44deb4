// @ts-check
/**
 * Dark or light: dark beside radiographs, unless the reader chose otherwise. What the system
 * prefers counts only for those who chose to follow it: a bright office computer says nothing
 * about the room that the images are read in.
 */

import { CHANGED, prefer, preferences } from './preferences.js';

export const THEMES = /** @type {const} */ (['dark', 'light', 'system']);

/** @param {string | null} choice @param {boolean} systemLight */
export function themeOf(choice, systemLight) {
  return choice === 'light' || (choice === 'system' && systemLight) ? 'light' : 'dark';
}

export function chosenTheme() {
  return THEMES.find(theme => theme === preferences().theme) ?? 'dark';
}

/** At once, in all pages of this browser. @param {string} theme */
export function chooseTheme(theme) {
  prefer({ theme });
}

/**
 * Keep an element in the colours that were chosen.
 * @param {HTMLElement} element
 * @returns {() => void} how to stop
 */
export function wearTheme(element) {
  const system = window.matchMedia('(prefers-color-scheme: light)');
  const put = () => {
    element.dataset.theme = themeOf(chosenTheme(), system.matches);
  };
  put();
  system.addEventListener('change', put);
  window.addEventListener(CHANGED, put);
  window.addEventListener('storage', put); // Chosen in another tab.
  return () => {
    system.removeEventListener('change', put);
    window.removeEventListener(CHANGED, put);
    window.removeEventListener('storage', put);
  };
}

/** The panel's own styles; none of the page gets in. */
export function styleSheet(/** @type {string} */ name) {
  const link = document.createElement('link');
  link.rel = 'stylesheet';
  link.href = new URL(name, import.meta.url).href;
  return link;
}
