// @ts-check
/** How aggressive a bone lesion looks: the derived word with its reason, or the reader's own. */

import { h } from './dom.js';
import { changeFinding } from './reading.js';
import { strings } from './strings.js';

const text = strings.aggressiveness;

/** @param {any} session */
export function aggressiveness(session, item, finding) {
  const graded = session.advice.aggressiveness[finding.id];
  const own = finding.aggressiveness ?? '';
  if (item.section !== 'bone' && !own && !graded?.word) return null;
  const set = value => session.commit(changeFinding(session.reading, finding.id, { aggressiveness: value }));
  return h('div', { key: 'aggressiveness', class: 'lesion' },
    h('label', { class: 'pair' }, h('span', { class: 'h3' }, text.title),
      h('select', { disabled: session.signed, '.value': own, onchange: event => set(event.target.value) },
        Object.entries(text.choices).map(([value, label]) => h('option', { key: value || 'derived', value },
          value ? label : text.derived(text.words[!own && graded ? graded.word : ''] ?? ''))))),
    graded && (own || graded.word) && h('p', { class: 'dim small' }, graded.why, ' ', grade(graded.grade)));
}

/** "(from memory)": how well founded a fact is. */
export function grade(letter) {
  return letter ? h('span', { class: 'grade' }, `(${strings.grades[letter] ?? letter})`) : null;
}
