// @ts-check
/** One key, one command. The table is also what the help page shows. */

/** @type {[string, string][]} key as KeyboardEvent.key (lower case) -> command */
const TABLE = [
  [' ', 'normalNext'],
  ['a', 'abnormal'],
  ['v', 'variant'],
  ['u', 'undetermined'],
  ['x', 'notAssessable'],
  ['backspace', 'clear'],
  ['delete', 'clear'],
  ['o', 'birdsEye'],
  ['n', 'next'],
  ['p', 'previous'],
  ['[', 'sectionBefore'],
  [']', 'sectionAfter'],
  ['t', 'note'],
  ['e', 'editFinding'],
  ['l', 'length'],
  ['g', 'angle'],
  ['m', 'measure'],
  ['k', 'landmarks'],
  ['w', 'whole'],
  ['c', 'conclude'],
  ['b', 'before'],
  ['y', 'takeOver'],
  ['s', 'takeSummary'],
  ['?', 'help'],
  ['escape', 'close'],
];

/** Order and keys as the help page shows them. */
export const HELP_KEYS = [
  ['space', 'normalNext'], ['⇧ space', 'groupNormal'], ['o', 'birdsEye'], ['a', 'abnormal'], ['v', 'variant'], ['u', 'undetermined'],
  ['x', 'notAssessable'], ['1 … 9', 'view'], ['⌫', 'clear'], ['n', 'next'], ['p', 'previous'],
  ['← ↑ → ↓', 'move'], ['[  ]', 'section'], ['t', 'note'], ['e', 'editFinding'], ['l', 'length'],
  ['g', 'angle'], ['m', 'measure'], ['k', 'landmarks'], ['w', 'whole'], ['c', 'conclude'], ['b', 'before'], ['y', 'takeOver'], ['s', 'takeSummary'], ['ctrl z', 'undo'], ['ctrl ⇧ z', 'redo'], ['esc', 'close'], ['?', 'help'],
];

const COMMANDS = new Map(TABLE);

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
  const name = COMMANDS.get(key);
  return name ? { name } : null;
}

/** Whether a key pressed there belongs to the field (text, list, slider) and not to us. */
export function isEditable(/** @type {any} */ target) {
  const tag = target?.localName;
  if (tag === 'input') return !['checkbox', 'radio', 'button', 'submit'].includes(target.type);
  return tag === 'textarea' || tag === 'select' || Boolean(target?.isContentEditable);
}

/** Whether space and enter press what has the focus; with shift, space is the group's key. */
export function isPressable(/** @type {any} */ target) {
  const tag = target?.localName;
  return tag === 'button' || tag === 'a' || tag === 'summary' || (tag === 'input' && !isEditable(target));
}
