// @ts-check
/** What the differentials ask for next; each goes to the recommendations by one press. */

import { addStep, hasStep } from './advice.js';
import { h } from './dom.js';
import { grade } from './lesion.js';
import { strings } from './strings.js';

const text = strings.conclude;
const SHOWN = 5;

/** @param {any} session */
export function nextSteps(session) {
  const steps = session.advice.next_steps;
  if (!steps.length || session.signed) return null;
  const rest = steps.slice(SHOWN);
  return h('div', { key: 'steps', class: 'block' }, h('h2', null, text.nextSteps),
    h('ul', { class: 'steps' }, steps.slice(0, SHOWN).map(step => line(session, step))),
    rest.length > 0 && h('details', null, h('summary', null, text.moreSteps(rest.length)), h('ul', { class: 'steps' }, rest.map(step => line(session, step)))));
}

function line(session, step) {
  const there = hasStep(session.reading, step);
  return h('li', { key: step.id },
    h('div', null, h('p', null, step.name), h('p', { class: 'dim small' }, text.stepFor(step.conditions), ' ', grade(step.grade))),
    there
      ? h('span', { key: 'there', class: 'dim' }, text.added)
      : h('button', { key: 'add', class: 'btn', 'aria-label': text.addStep(step.name), onclick: () => session.commit(addStep(session.reading, step)) }, text.add));
}
