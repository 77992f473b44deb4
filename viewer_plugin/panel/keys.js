// @ts-check
/**
 * One key, one command. The table is what the page of keys and the search of commands show; the
 * reader may give a command another key (own_keys.js).
 */

import { ownKeys } from './own_keys.js';
import { strings } from './strings.js';

const GROUP_KEY = '⇧ space';

export const groupKey = () => `⇧ ${strings.help.space}`;

/** @type {[string, string][]} command -> key as KeyboardEvent.key (lower case), as delivered */
export const CHANGEABLE = [
  ['normalNext', ' '], ['birdsEye', 'o'], ['abnormal', 'a'], ['variant', 'v'], ['undetermined', 'u'], ['notAssessable', 'x'],
  ['next', 'n'], ['previous', 'p'], ['sectionBefore', '['], ['sectionAfter', ']'], ['note', 't'], ['editFinding', 'e'],
  ['length', 'l'], ['angle', 'g'], ['measure', 'm'], ['landmarks', 'k'], ['outline', 'r'], ['hideOutlines', 'h'], ['whole', 'w'], ['conclude', 'c'], ['before', 'b'], ['takeOver', 'y'],
  ['takeSummary', 's'], ['phrases', 'f'], ['search', '/'], ['help', '?'],
];

/** Keys that stay as they are, as they are written. @type {[string, string][]} */
export const FIXED = [
  ['groupNormal', GROUP_KEY], ['view', '1 … 9'], ['clear', '⌫'], ['move', '← ↑ → ↓'], ['toCheck', '⏎'], ['undo', 'ctrl z'], ['redo', 'ctrl ⇧ z'], ['close', 'esc'],
];

/** @type {Record<string, string>} */
const TAKEN = { backspace: 'clear', delete: 'clear', escape: 'close' };

/** Keys of the images themselves, with the focus there. */
const VIEWER = ['+', '=', '-', '0', 'i'];

/** The key of each command now. @returns {Map<string, string>} */
export function keysNow(own = ownKeys()) {
  return new Map(CHANGEABLE.map(([name, key]) => [name, own[name] ?? key]));
}

/** How the key of a command is written; "" when it has none. */
export function keyOf(/** @type {string} */ name) {
  const key = keysNow().get(name) ?? FIXED.find(([fixed]) => fixed === name)?.[1] ?? '';
  return key === ' ' ? strings.help.space : key === GROUP_KEY ? groupKey() : key;
}

/**
 * Why a command cannot have a key: the command or the viewer that has it, or that it is none.
 * @param {string} name
 * @param {string} key
 * @param {Record<string, string>} own
 * @returns {{by: 'command' | 'viewer' | 'unusable', command?: string} | null} null: it can
 */
export function refusal(name, key, own = ownKeys()) {
  if ([...key].length !== 1 || /^[1-9]$/.test(key)) return { by: 'unusable' };
  if (VIEWER.includes(key)) return { by: 'viewer' };
  const other = [...keysNow(own)].find(([command, taken]) => command !== name && taken === key);
  return other ? { by: 'command', command: other[0] } : null;
}

/**
 * @param {{key: string, ctrlKey?: boolean, metaKey?: boolean, altKey?: boolean, shiftKey?: boolean}} event
 * @returns {{name: string, index?: number} | null} null: not ours
 */
export function command(event) {
  const key = event.key.toLowerCase();
  if (event.ctrlKey || event.metaKey) {
    return key === 'z' && !event.altKey ? { name: event.shiftKey ? 'redo' : 'undo' } : null;
  }
  if (event.altKey) return null;
  if (key === ' ' && event.shiftKey) return { name: 'groupNormal' };
  if (/^[1-9]$/.test(key)) return { name: 'view', index: Number(key) - 1 };
  if (Object.hasOwn(TAKEN, key)) return { name: TAKEN[key] };
  const found = [...keysNow()].find(([, taken]) => taken === key);
  return found ? { name: found[0] } : null;
}

/** Whether a key pressed there belongs to the field (text, list, slider) and not to us. */
export function isEditable(/** @type {any} */ target) {
  const tag = target?.localName;
  if (tag === 'input') return !['checkbox', 'radio', 'button', 'submit'].includes(target.type);
  return tag === 'textarea' || tag === 'select' || Boolean(target?.isContentEditable);
}

/** A search field that has no text has nothing of its own to take back. */
export function isEmptySearch(/** @type {any} */ target) {
  return target?.type === 'search' && !target.value;
}

/** Whether space and enter press what has the focus; with shift, space is the group's key. */
export function isPressable(/** @type {any} */ target) {
  const tag = target?.localName;
  return tag === 'button' || tag === 'a' || tag === 'summary' || (tag === 'input' && !isEditable(target));
}
