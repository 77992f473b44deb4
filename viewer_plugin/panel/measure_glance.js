// @ts-check
/** The answer where it is always in sight, above the button that accepts it: number, scale, doubts. */

import { h } from './dom.js';
import { headline, numberText } from './numbers.js';
import { inWords, numberName } from './said.js';
import { strings } from './strings.js';

const text = strings.measuring;
const UNTOLD = 'cannot tell';

/** The same as above in one look: who reads by ear has heard it there. @param {import('./measuring.js').Measuring} measuring */
export function glance(measuring) {
  const { result, stage, points, control } = measuring;
  if (!result || (stage === 'placing' && points.some(point => !point))) return null;
  const say = words => inWords(words, result.said);
  /** @type {any} */
  const first = headline(result.kind, result.numbers);
  const line = result.refusal
    ? [h('strong', { key: 'no' }, text.refused), ': ', say(result.refusal)]
    : [h('strong', { key: 'number', class: 'number' }, numberText(first)), ` ${first === result.numbers[0] ? '' : numberName(result, first)}`,
      result.word && (control || result.word !== UNTOLD) && [' · ', h('strong', { key: 'word' }, say(result.word))],
      h('span', { key: 'scale', class: 'dim' }, ` · ${say(result.calibration)}`),
      result.doubts.length > 0 && h('span', { key: 'doubts', class: 'doubted' }, ` · ${text.doubted(result.doubts.length)}`)];
  return h('p', { key: 'glance', class: stage === 'working' ? 'glance stale' : 'glance', 'aria-hidden': 'true' }, line);
}
