// @ts-check
/** Signing, what became of the documents, and the addendum. */

import { addendum, sign } from './delivery.js';
import { h } from './dom.js';
import { clockTime, personName } from './header.js';
import { strings } from './strings.js';

/** @param {any} ctx */
export function signing(ctx) {
  const { session } = ctx;
  return h('div', { key: 'signing', class: 'block' },
    !session.signed && acceptOpen(session),
    !session.signed && signForm(session),
    session.documents.length > 0 && documents(ctx),
    session.signed && addendumForm(session));
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
  const { display, user } = session.api.session ?? { display: '', user: '' };
  const submit = event => {
    event.preventDefault();
    const field = event.target.elements.password;
    sign(session, field.value);
    field.value = '';
  };
  return h('form', { key: 'sign', onsubmit: submit, autocomplete: 'off' },
    h('h2', null, strings.sign.title),
    h('p', { class: 'dim' }, strings.sign.as(personName(display) || user)),
    blocked && h('p', { class: 'dim' }, strings.sign.blocked),
    passwordField(session),
    h('button', { class: 'btn primary', type: 'submit', disabled: session.signing.busy || blocked }, session.signing.busy ? strings.sign.busy : strings.sign.button));
}

function passwordField(session) {
  const { error } = session.signing;
  return [
    h('label', { key: 'password', class: 'label' }, strings.sign.password,
      h('input', { type: 'password', name: 'password', required: true, autocomplete: 'current-password' })),
    error && h('p', { key: 'error', class: 'bad', role: 'alert' }, error),
  ];
}

function documents(ctx) {
  const { session, host } = ctx;
  const name = d => (d.role === 'measurements' ? strings.documents.measurements : strings.documents.kinds[d.kind] ?? d.kind);
  return h('div', { key: 'documents' }, h('h2', null, strings.documents.title),
    h('ul', { class: 'documents' }, session.documents.map(d => h('li', { key: d.sop_instance_uid },
      h('div', { class: 'title' }, h('strong', null, name(d)),
        h('button', { class: 'link', 'aria-label': `${strings.documents.open}: ${name(d)}`, onclick: () => host.openDocument(d.series_uid, d.sop_instance_uid) }, strings.documents.open)),
      h('p', { class: 'dim' }, [personName(d.signed_by), d.signed_at && `${d.signed_at.slice(0, 10)} ${clockTime(d.signed_at)}`].filter(Boolean).join(' · ')),
      h('p', { class: d.delivery === 'refused' ? 'bad' : d.delivery === 'committed' ? '' : 'dim', role: 'status' },
        [strings.documents.delivery[d.delivery] ?? d.delivery, d.delivery_detail].filter(Boolean).join(': '))))));
}

function addendumForm(session) {
  const submit = event => {
    event.preventDefault();
    const field = event.target.elements.password;
    addendum(session, session.drafts.addendum ?? '', field.value);
    field.value = '';
  };
  return h('form', { key: 'addendum', onsubmit: submit, autocomplete: 'off' },
    h('h2', null, strings.addendum.title),
    h('label', { class: 'label' }, strings.addendum.text,
      h('textarea', {
        rows: 4, required: true, maxlength: 20000, '.value': session.drafts.addendum ?? '',
        oninput: event => session.update({ drafts: { ...session.drafts, addendum: event.target.value } }),
      })),
    passwordField(session),
    h('button', { class: 'btn', type: 'submit', disabled: session.signing.busy }, session.signing.busy ? strings.addendum.busy : strings.addendum.button));
}
