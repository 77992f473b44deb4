// @ts-check
/** How a computed number is written; the same as in the report. */

import { fixed, inWords, numberName } from './said.js';
import { strings } from './strings.js';

const UNITS = { deg: '°', 1: '', px: ' px' };
const COARSE = new Set(['deg', 'px', 'grey values', '%']);

/**
 * "1.28 ± 0.20 mm", "at most 0.65 mm", "94.2 ± 3.1°".
 * @param {{id?: string, value: number, plus_minus?: number | null, unit: string, bound?: string}} number
 */
export function numberText({ id = '', value, plus_minus: pm = null, unit, bound = '' }) {
  // The size of a pixel is a small number.
  const digits = id === 'spacing' ? 4 : COARSE.has(unit) ? 1 : 2;
  const error = pm === null ? '' : ` ± ${pm.toFixed(digits)}`;
  return `${bound ? `${strings.measuring.bounds[bound]} ` : ''}${fixed(value, digits)}${error}${UNITS[unit] ?? ` ${unitText(unit)}`}`;
}

/** A unit in words: "grey values x mm". */
export const unitText = (/** @type {string} */ unit) => unit.replace('grey values', strings.measuring.grey);

/** Of a fat plane it is where it lies, not how much of it is seen. @type {Record<string, string[]>} */
const TOLD_FIRST = { fat_plane: ['displacement', 'distance'] };

/** The number that stands for all: mostly the first one. @template {{id: string}} T @param {string} kind @param {T[]} numbers */
export function headline(kind, numbers) {
  return (TOLD_FIRST[kind] ?? []).flatMap(id => numbers.filter(number => number.id === id))[0] ?? numbers[0];
}

/** What was measured, in a few words. */
export function computedName(computed, kinds) {
  const first = computed.numbers[0];
  return kinds[computed.kind] ?? (first ? numberName(computed, first) : inWords(computed.name, computed.said));
}

/** How the node names each kind; a published measurement goes by its own name. */
const MEANINGS = {
  swelling_profile: 'soft tissue thickness', joint_space: 'joint space width', shaft_axis: 'shaft', lucent_line: 'lucent line',
  fat_plane: 'fat plane', implant: 'implant', ball: 'calibration by a ball', ruler: 'calibration by a ruler',
  fracture_angulation: 'angulation of a fracture',
};

/** What an earlier measurement must be called to be the same one as this. */
export function meaningOf({ kind, computed }) {
  if (!computed) return kind;
  return MEANINGS[computed.kind] ?? computed.numbers[0]?.name ?? computed.name;
}

/** What an earlier measurement was, which goes by the node's name of its kind. */
export function meaningText(/** @type {string} */ meaning) {
  const kind = Object.keys(MEANINGS).find(one => MEANINGS[one] === meaning) ?? '';
  return strings.finding[meaning] ?? strings.measuring.kinds[kind] ?? meaning;
}

/** "2026-02-02" of a DICOM date. */
export function dayText(/** @type {string} */ da) {
  return /^\d{8}$/.test(da) ? `${da.slice(0, 4)}-${da.slice(4, 6)}-${da.slice(6)}` : da || strings.before.noDate;
}
