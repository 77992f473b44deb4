// @ts-check
/**
 * Dark or light: dark beside radiographs, unless the reader chose otherwise in this browser. What
 * the system prefers counts only for those who chose to follow it: a bright office computer says
 * nothing about the room that the images are read in.
 */

export const THEMES = /** @type {const} */ (['dark', 'light', 'system']);

const CHOICE = 'sesamoid.theme';
const CHANGED = 'sesamoid:theme';

/** @param {string | null} choice @param {boolean} systemLight */
export function themeOf(choice, systemLight) {
  return choice === 'light' || (choice === 'system' && systemLight) ? 'light' : 'dark';
}

export function chosenTheme() {
  try {
    const choice = localStorage.getItem(CHOICE);
    return THEMES.find(theme => theme === choice) ?? 'dark';
  } catch {
    return 'dark'; // Storage is switched off.
  }
}

/** At once, in all panels of this browser. @param {string} theme */
export function chooseTheme(theme) {
  try {
    localStorage.setItem(CHOICE, theme);
  } catch {
    return;
  }
  window.dispatchEvent(new Event(CHANGED));
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
