// @ts-check
/** Accepted computed measurements of a structure, each with its plot, to be adjusted or removed. */

import { changeBlock } from './change_block.js';
import { h } from './dom.js';
import { keyOf } from './keys.js';
import { plots } from './measure_result.js';
import { computedName, headline, numberText } from './numbers.js';
import { inWords, numberName } from './said.js';
import { strings } from './strings.js';

const text = strings.measuring;

/**
 * Opens the computing of a measurement, for a finding where one is given.
 * @param {import('./session.js').Session} session
 * @param {{item: string, id: string} | null} [finding]
 */
export function computeButton(session, finding = null) {
  const open = () => session.measuring.open(finding?.item ?? session.item, finding?.id ?? '');
  return h('button', { class: 'btn', 'data-compute': true, onclick: open }, text.open, h('kbd', null, keyOf('measure')));
}

/** @param {any} ctx @param {import('./types.js').Measurement} m */
export function computedRow({ session }, m) {
  const computed = /** @type {import('./types.js').Computed} */ (m.computed);
  const view = session.template.views.find(v => v.uid === m.view);
  const say = words => inWords(words, computed.said);
  const name = computedName(computed, text.kinds);
  const first = headline(computed.kind, computed.numbers);
  const own = first && first !== computed.numbers[0] ? numberName(computed, first) : '';
  const label = `${name} ${first ? numberText(first) : strings.finding.working}`;
  return h('li', { key: m.id, class: 'computed' },
    h('div', { class: 'computed-head' },
      h('span', { class: 'number' }, first ? numberText(first) : strings.finding.working),
      h('span', { class: 'dim how' }, [name, own, view?.label, say(m.calibration)].filter(Boolean).join(' · ')),
      !session.signed && h('span', { class: 'does' },
        h('button', { class: 'link', 'aria-label': text.adjustNamed(label), onclick: () => session.measuring.adjust(m) }, text.adjust),
        h('button', { class: 'btn square', 'aria-label': text.removeNamed(label), onclick: () => session.measuring.remove(m.id) }, '×'))),
    h('details', { key: 'more' }, h('summary', null, text.details, computed.doubts.length > 0 && h('span', { class: 'doubted' }, ` · ${text.doubted(computed.doubts.length)}`)),
      h('ul', { class: 'small' },
        h('li', { key: 'how', class: 'dim' }, text.by(computed.method, computed.version)),
        computed.numbers.filter(n => n !== first).map(n => h('li', { key: n.id }, `${numberName(computed, n)}: ${numberText(n)}`)),
        computed.word && h('li', { key: 'word' }, `${say(computed.word)} – ${say(computed.why)}`),
        computed.doubts.map(doubt => h('li', { key: doubt }, say(doubt))))),
    plots(computed, computed.curves, session.editing ? 270 : 170), // As wide as there is room, so that its letters are as large as all others.
    first && changeBlock(session, m));
}
