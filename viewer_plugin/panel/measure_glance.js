// @ts-check
/** The answer where it is always in sight, above the button that accepts it: number, scale, doubts. */

import { h } from './dom.js';
import { headline, numberText } from './numbers.js';
import { inWords, numberName } from './said.js';
import { strings } from './strings.js';

const text = strings.measuring;
const UNTOLD = 'cannot tell';

/** The same as above in one look, which who reads by ear has heard there; of a refusal the only word. @param {import('./measuring.js').Measuring} measuring */
export function glance(measuring) {
  const { result, stage, points, control } = measuring;
  if (!result || (stage === 'placing' && points.some(point => !point))) return null;
  const say = words => inWords(words, result.said);
  const stale = stage === 'working' ? ' stale' : '';
  if (result.refusal) return h('p', { key: 'refused', class: `glance refused${stale}`, role: 'alert' }, h('span', null, h('strong', null, text.refused), ': ', say(result.refusal)));
  /** @type {any} */
  const first = headline(result.kind, result.numbers);
  const line = [h('strong', { key: 'number', class: 'number' }, numberText(first)), ` ${first === result.numbers[0] ? '' : numberName(result, first)}`,
    result.word && (control || result.word !== UNTOLD) && [' · ', h('strong', { key: 'word' }, say(result.word))],
    h('span', { key: 'scale', class: 'dim' }, ` · ${say(result.calibration)}`),
    result.doubts.length > 0 && h('span', { key: 'doubts', class: 'doubted' }, ` · ${text.doubted(result.doubts.length)}`)];
  return h('p', { key: 'glance', class: `glance${stale}`, 'aria-hidden': 'true' }, line);
}
