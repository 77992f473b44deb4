// @ts-check
/** The reading list: asks the node, shows rows, asks again every few seconds. */

import { call } from './node.js';
import { count, dicomDate, imagesOf, patient, personName, regionNames, stateOf } from './words.js';

const PAGE = 50;
const EVERY_MS = 3000;
const TYPING_MS = 250;

const element = id => /** @type {any} */ (document.getElementById(id));
const rows = element('rows');
const filter = { text: '', state: '', offset: 0 };
let shown = '';
let total = 0;
let asking = 0;
let timer = 0;

function queryOf() {
  const query = new URLSearchParams();
  if (filter.text) query.set('text', filter.text);
  if (filter.state) query.set('state', filter.state);
  if (filter.offset) query.set('offset', String(filter.offset));
  return query;
}

async function refresh() {
  clearTimeout(timer);
  const mine = ++asking;
  const query = queryOf();
  query.set('limit', String(PAGE));
  try {
    const { content, tag } = await call(`/api/studies?${query}`);
    if (mine !== asking) return; // a newer question is on its way
    trouble('');
    const key = `${query} ${tag}`;
    if (key !== shown) show(content);
    shown = key;
  } catch (error) {
    if (error.status === 401) return signIn();
    if (mine === asking) trouble(`${error.message} What is shown may be old; trying again.`);
  }
  timer = setTimeout(() => (document.hidden ? undefined : refresh()), EVERY_MS);
}

function signIn() {
  location.assign(`/login?next=${encodeURIComponent(location.pathname + location.search)}`);
}

function trouble(text) {
  const box = element('trouble');
  if (box.textContent !== text) box.textContent = text;
  box.hidden = !text;
}

function show(content) {
  total = content.total;
  if (filter.offset && filter.offset >= total) {
    filter.offset = Math.max(0, Math.floor((total - 1) / PAGE) * PAGE);
    shown = '';
    return void refresh();
  }
  const focused = document.activeElement?.closest('tr')?.dataset.uid;
  rows.replaceChildren(...content.studies.map(rowOf));
  if (focused) links().find(link => link.closest('tr').dataset.uid === focused)?.focus();
  element('count').textContent = total === 1 ? '1 study' : `${total} studies`;
  const empty = element('empty');
  empty.hidden = total > 0;
  empty.textContent = filter.text || filter.state
    ? 'No study matches. Clear the search or show all studies.'
    : 'No studies yet. Send a limb study to this node; it appears here by itself.';
  element('pages').hidden = total <= PAGE;
  element('previous').disabled = filter.offset === 0;
  element('next').disabled = filter.offset + PAGE >= total;
  element('page').textContent =
    `${filter.offset + 1} to ${Math.min(filter.offset + PAGE, total)} of ${total}`;
}

function rowOf(row) {
  const line = make('tr', '');
  line.dataset.uid = row.study_uid;
  const link = make('a', '', patient(row));
  link.href = `/read?StudyInstanceUIDs=${encodeURIComponent(row.study_uid)}`;
  const state = stateOf(row);
  const { images, remarks } = imagesOf(row);
  line.append(
    cell('', link, sub([row.patient_id, dicomDate(row.study_date)].filter(Boolean).join(' · '))),
    cell('nowrap', make('span', '', row.species || 'unknown')),
    cell('', make('span', '', regionNames(row.regions) || '–')),
    cell('question', make('span', '', row.question || row.description || '–')),
    cell('nowrap', make('span', '', images), sub(remarks)),
    cell('nowrap', make('span', '', new Date(row.last_object_at).toLocaleString([], { dateStyle: 'short', timeStyle: 'short' }))),
    cell(state.wants ? 'state wants' : 'state', mark(state.mark), make('span', '', state.text), sub(state.detail)),
  );
  line.addEventListener('click', event => {
    const selecting = String(getSelection());
    if (!selecting && !(/** @type {Element} */ (event.target).closest('a'))) link.click();
  });
  return line;
}

/** All text goes in as text: a script in a patient's name is only seen. */
function make(tag, kind, text = '') {
  const made = /** @type {any} */ (document.createElement(tag));
  if (kind) made.className = kind;
  if (text) made.textContent = text;
  return made;
}

function cell(kind, ...content) {
  const made = make('td', kind);
  made.append(...content.filter(Boolean));
  return made;
}

function sub(text) {
  return text ? make('span', 'sub', text) : null;
}

function mark(sign) {
  const made = make('span', 'mark', sign);
  made.setAttribute('aria-hidden', 'true');
  return made;
}

function links() {
  return /** @type {any[]} */ ([...rows.querySelectorAll('a')]);
}

function choose(step) {
  const all = links();
  const at = all.findIndex(link => link.closest('tr').contains(document.activeElement));
  const next = at < 0 ? (step > 0 ? 0 : all.length - 1) : Math.min(Math.max(at + step, 0), all.length - 1);
  all[next]?.focus();
}

function change(values) {
  Object.assign(filter, { offset: 0 }, values);
  history.replaceState(null, '', `/?${queryOf()}`.replace(/\?$/, ''));
  refresh();
}

function listen() {
  let typing = 0;
  element('text').addEventListener('input', () => {
    clearTimeout(typing);
    typing = setTimeout(() => change({ text: element('text').value.trim() }), TYPING_MS);
  });
  element('filter').addEventListener('submit', event => {
    event.preventDefault();
    clearTimeout(typing);
    change({ text: element('text').value.trim() });
    choose(1);
  });
  element('state').addEventListener('change', () => change({ state: element('state').value }));
  element('previous').addEventListener('click', () => change({ offset: Math.max(0, filter.offset - PAGE) }));
  element('next').addEventListener('click', () => change({ offset: filter.offset + PAGE }));
  document.addEventListener('visibilitychange', () => document.hidden || refresh());
  document.addEventListener('keydown', event => {
    const target = /** @type {Element} */ (event.target);
    if (event.altKey || event.ctrlKey || event.metaKey || target.matches('select')) return;
    if (event.key === 'ArrowDown' || event.key === 'ArrowUp') {
      event.preventDefault();
      choose(event.key === 'ArrowDown' ? 1 : -1);
    } else if (event.key === '/' && !target.matches('input')) {
      event.preventDefault();
      element('text').select();
    }
  });
}

async function start() {
  const asked = new URLSearchParams(location.search);
  filter.text = asked.get('text') ?? '';
  filter.state = asked.get('state') ?? '';
  filter.offset = Math.max(0, Number.parseInt(asked.get('offset') ?? '0', 10) || 0);
  element('text').value = filter.text;
  element('state').value = filter.state;
  listen();
  refresh();
  let session;
  try {
    session = (await call('/api/session')).content;
  } catch {
    return; // the list says what is wrong
  }
  element('who').textContent = personName(session.display) || session.user;
  element('administration').hidden = !session.roles.includes('administrator');
  element('sign-out').addEventListener('click', async () => {
    const headers = { 'X-Sesamoid-Token': session.csrf };
    await call('/api/session', { method: 'DELETE', headers }).catch(() => undefined);
    location.assign('/login');
  });
}

start();
