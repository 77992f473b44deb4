// @ts-check
/** Signing; after it, what became of the documents and what can be done with the report. */

import { addendum, deeds, reopen, withdraw } from './after_signing.js';
import { byProvider, confirmed } from './confirming.js';
import { sign } from './delivery.js';
import { h } from './dom.js';
import { personName } from './header.js';
import { strings } from './strings.js';
import { documents } from './versions.js';

const text = strings.versions;

/** @param {any} ctx */
export function signing(ctx) {
  const { session } = ctx;
  // The form that it belongs to is gone when somebody else was first.
  const orphan = session.signed && !session.deed && session.signing.error;
  return h('div', { key: 'signing', class: 'block' },
    orphan && h('p', { key: 'error', class: 'bad', role: 'alert' }, orphan),
    !session.signed && acceptOpen(session),
    !session.signed && signForm(session),
    session.documents.length > 0 && documents(ctx),
    afterwards(session));
}

function acceptOpen(session) {
  const asked = session.gaps.some(gap => gap.kind === 'open_observation') || session.reading.open_accepted;
  if (!asked) return null;
  return h('label', { key: 'accept', class: 'label block' }, h('span', { class: 'h2' }, strings.conclude.accept),
    h('textarea', {
      rows: 2, maxlength: 2000, placeholder: strings.conclude.acceptHint, '.value': session.reading.open_accepted,
      oninput: event => session.commit({ ...session.reading, open_accepted: event.target.value }, '', 'open_accepted'),
    }));
}

function signForm(session) {
  const blocked = session.gaps.some(gap => gap.blocking);
  const again = session.opening.correcting;
  const { reader } = session.api;
  return passwordForm(session, {
    key: 'sign', title: again ? text.signTitle : strings.sign.title, button: again ? text.signButton : strings.sign.button,
    busy: strings.sign.busy, primary: true, disabled: blocked, act: password => sign(session, password),
  }, h('p', { class: 'dim' }, strings.sign.as(personName(reader.display) || reader.user)), blocked && h('p', { class: 'dim' }, strings.sign.blocked));
}

/** A form that ends with the password, or without one where none is needed. */
function passwordForm(session, { key, title = '', button, busy, act, primary = false, disabled = false, password = true }, ...fields) {
  const { error, busy: working, waiting } = session.signing;
  const elsewhere = password && byProvider(session);
  const submit = async event => {
    event.preventDefault();
    const given = event.target.elements;
    const entered = new FormData(event.target);
    if (elsewhere && !await confirmed(session)) return;
    act(given.password?.value ?? '', entered);
    if (given.password) given.password.value = '';
  };
  return h('form', { key, onsubmit: submit, autocomplete: 'off', 'aria-label': title || button },
    title && h('h2', null, title), ...fields,
    elsewhere && h('p', { key: 'elsewhere', class: 'dim', role: 'status' }, waiting ? strings.sign.waiting : strings.sign.provider),
    password && !elsewhere && h('label', { key: 'password', class: 'label' }, strings.sign.password,
      h('input', { type: 'password', name: 'password', required: true, autocomplete: 'current-password' })),
    error && h('p', { key: 'error', class: 'bad', role: 'alert' }, error),
    h('button', { class: primary ? 'btn primary' : 'btn', type: 'submit', disabled: working || disabled }, working ? busy : button));
}

/** Addendum, correction or withdrawal: one is chosen, then its form is there. */
function afterwards(session) {
  const possible = deeds(session.opening.state);
  if (!possible.length) return null;
  const toggle = deed => session.update({ deed: session.deed === deed ? '' : deed, signing: { busy: false, error: '' } });
  return h('div', { key: 'after', class: 'block' }, h('h2', null, text.title),
    h('div', { class: 'segment', role: 'group', 'aria-label': text.title }, possible.map(deed => h('button', {
      key: deed, 'aria-pressed': String(session.deed === deed), onclick: () => toggle(deed),
    }, text.deeds[deed]))),
    possible.includes(session.deed) ? form[session.deed](session) : h('p', { class: 'dim' }, text.lead),
    session.opening.state === 'signed' && teachingCase(session));
}

/** The study without names, as a file. */
function teachingCase(session) {
  return h('p', { key: 'teaching', class: 'teaching' },
    h('a', { class: 'btn', href: `/api/studies/${session.study}/teaching.zip`, download: 'teaching-case.zip' }, strings.teaching.button),
    h('span', { class: 'dim' }, strings.teaching.hint));
}

const form = {
  addendum: session => passwordForm(session, { ...text.forms.addendum, key: 'addendum', act: password => addendum(session, password) },
    h('p', { class: 'dim' }, text.forms.addendum.lead), draft(session, 'addendum', strings.addendum.text)),
  correction: session => passwordForm(session, { ...text.forms.correction, key: 'correction', password: false, act: () => reopen(session) },
    h('p', { class: 'dim' }, text.forms.correction.lead), draft(session, 'correction', text.forms.correction.text, 4000)),
  withdrawal: session => passwordForm(session, {
    ...text.forms.withdrawal, key: 'withdrawal', act: (password, given) => withdraw(session, given.get('reason'), password),
  }, h('p', { class: 'dim' }, text.forms.withdrawal.lead), reasons(), draft(session, 'withdrawal', text.forms.withdrawal.text)),
};

function reasons() {
  return h('fieldset', { key: 'reasons' }, h('legend', { class: 'dim' }, text.reason),
    Object.entries(text.reasons).map(([value, words]) => h('label', { key: value, class: 'evidence' },
      h('input', { type: 'radio', name: 'reason', value, required: true }), h('span', null, words))));
}

function draft(session, name, label, most = 20000) {
  return h('label', { key: `draft ${name}`, class: 'label' }, label,
    h('textarea', {
      rows: 3, required: true, maxlength: most, '.value': session.drafts[name] ?? '',
      oninput: event => session.update({ drafts: { ...session.drafts, [name]: event.target.value } }),
    }));
}
