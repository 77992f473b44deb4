// @ts-check
/** The reading list: asks the node, shows rows, asks again every few seconds. */

import { STAGES, everything, fromKept, fromQuery, narrowed, orderOf, toKeep, toQuery } from './filters.js';
import { give } from './giving.js';
import { call, file } from './node.js';
import { make, rowOf } from './rows.js';
import { say } from './say.js';
import { settingsOf } from './settings.js';
import { takeOver } from '/plugin/panel/preferences.js';
import { personName } from './words.js';

const PAGE = 50;
const EVERY_MS = 3000;
const TYPING_MS = 250;
const KEPT = 'sesamoid.list';

const element = id => /** @type {any} */ (document.getElementById(id));
const rows = element('rows');
let filter = everything();
let shown = '';
let total = 0;
let asking = 0;
let timer = 0;
let csrf = '';
/** @type {Map<string, any>} the rows that are shown, by Study Instance UID */
const known = new Map();
/** @type {Map<string, string>} names of the sites whose studies the reader sees, by their id; empty: there is but one */
const sites = new Map();
/** Whether the reader may give studies to other sites. */
let gives = false;

async function refresh() {
  clearTimeout(timer);
  const mine = ++asking;
  const query = toQuery(filter);
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
    if (mine === asking) trouble(`${error.message} ${say('list.old')}`);
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
  const active = document.activeElement;
  const focused = active?.closest('tr')?.dataset.uid;
  const part = active?.tagName === 'BUTTON' ? 'button' : 'a';
  known.clear();
  for (const row of content.studies) known.set(row.study_uid, row);
  rows.replaceChildren(...content.studies.map(row => rowOf(row, { urgent: toggleUrgent, teaching: teachingCase, give: gives ? giveAway : null }, sites.get(row.site))));
  if (focused) rows.querySelector(`tr[data-uid="${CSS.escape(focused)}"] ${part}`)?.focus();
  showStages(content.stages);
  const many = content.more ? say('list.or_more', { n: total }) : String(total);
  element('count').textContent = say('list.studies', { n: total === 1 ? 1 : many });
  const empty = element('empty');
  empty.hidden = total > 0;
  empty.textContent = emptyWords();
  element('pages').hidden = total <= PAGE;
  element('previous').disabled = filter.offset === 0;
  element('next').disabled = filter.offset + PAGE >= total;
  element('page').textContent =
    say('list.page', { from: filter.offset + 1, to: Math.min(filter.offset + PAGE, total), all: many });
}

function emptyWords() {
  if (narrowed(filter)) return say('list.no_match');
  if (filter.stage) return say('list.none_here');
  return say('list.none');
}

function makeStages() {
  element('stages').replaceChildren(...STAGES.map(id => {
    const button = make('button', '', say(`list.stages.${id || 'all'}`));
    button.type = 'button';
    button.dataset.stage = id;
    button.append(make('span', 'badge'));
    button.addEventListener('click', () => change({ stage: id }));
    return button;
  }));
}

/** The node counts to a thousand. @param {number | undefined} count */
function badgeOf(count) {
  return !count ? '' : count < 1000 ? String(count) : '1000+';
}

function showStages(counts) {
  for (const button of element('stages').children) {
    const { stage } = button.dataset;
    button.setAttribute('aria-pressed', String(stage === filter.stage));
    const badge = button.querySelector('.badge');
    badge.hidden = !counts?.[stage];
    badge.textContent = badgeOf(counts?.[stage]);
  }
}

async function toggleUrgent(row) {
  const body = JSON.stringify({ priority: row.priority > 0 ? 0 : 1 });
  const path = `/api/studies/${encodeURIComponent(row.study_uid)}/priority`;
  try {
    await call(path, { method: 'POST', body, headers: { 'X-Sesamoid-Token': csrf } });
    await refresh();
  } catch (error) {
    trouble(error.message);
  }
}

/** The case is made on the node, which takes a while; then the browser keeps the file. */
async function teachingCase(row, button) {
  button.disabled = true;
  button.textContent = say('list.teaching_busy');
  note(say('list.teaching_note'));
  try {
    const name = 'teaching-case.zip';
    const data = await file(`/api/studies/${encodeURIComponent(row.study_uid)}/teaching.zip`);
    const link = Object.assign(make('a'), { href: URL.createObjectURL(data), download: name });
    link.click();
    setTimeout(() => URL.revokeObjectURL(link.href), 60000);
  } catch (error) {
    note('');
    trouble(error.message);
  }
  button.disabled = false;
  button.textContent = say('list.teaching');
}

function giveAway(row) {
  give(row, sites, csrf, sentence => {
    note(sentence);
    refresh();
  });
}

function note(text) {
  element('said').textContent = text;
  element('said').hidden = !text;
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
  history.replaceState(null, '', `/?${toQuery(filter)}`.replace(/\?$/, ''));
  try {
    localStorage.setItem(KEPT, toKeep(filter));
  } catch {
    // A browser that keeps nothing: the address still says it.
  }
  showFilter();
  return refresh();
}

function showFilter() {
  showStages(null);
  const { order, free } = orderOf(filter);
  element('order').disabled = !free;
  const said = { ...filter, order };
  for (const id of ['text', 'species', 'order']) if (document.activeElement !== element(id)) element(id).value = said[id];
  if (document.activeElement !== element('site')) element('site').value = filter.site === null ? '' : `=${filter.site}`;
  for (const id of ['urgent', 'missing', 'mine']) element(id).checked = filter[id];
  element('clear').hidden = !narrowed(filter);
}

/** Where there are several, each row says whose it is, and one can be chosen. */
function showSites(served) {
  if (served.length > 1) for (const { id, name } of served) sites.set(id, name || say('list.unnamed_site'));
  if (filter.site !== null && !sites.has(filter.site)) filter.site = null; // theirs no longer
  else if (!sites.size) return;
  for (const [id, name] of sites) element('site').append(Object.assign(make('option', '', name), { value: `=${id}` }));
  element('site-choice').hidden = !sites.size;
  element('site').addEventListener('change', () => {
    const { value } = element('site');
    change({ site: value ? value.slice(1) : null });
  });
  shown = '';
  showFilter();
  refresh();
}

async function turn(step) {
  const offset = filter.offset + step * PAGE;
  if (offset < 0 || offset >= total) return;
  await change({ offset });
  choose(1);
}

/** Single letters act only on a study that has the focus, so that they surprise nobody. */
function onStudy(event) {
  const uid = document.activeElement?.closest('tr')?.dataset.uid;
  if (!uid) return false;
  const stage = STAGES[Number(event.key) - 1];
  if (stage !== undefined) element('stages').children[Number(event.key) - 1].click();
  else if (event.key === 'u' && known.has(uid)) toggleUrgent(known.get(uid));
  else return false;
  return true;
}

function pressed(event) {
  const target = /** @type {Element} */ (event.target);
  if (event.altKey || event.ctrlKey || event.metaKey || target.matches('select')) return;
  if (event.key === 'ArrowDown' || event.key === 'ArrowUp') choose(event.key === 'ArrowDown' ? 1 : -1);
  else if (event.key === 'PageDown' && total > PAGE) turn(1);
  else if (event.key === 'PageUp' && filter.offset) turn(-1);
  else if (event.key === '/' && !target.matches('input')) element('text').select();
  else if (target.matches('input') || !onStudy(event)) return;
  event.preventDefault();
}

function listen() {
  let typing = 0;
  element('text').addEventListener('input', () => {
    clearTimeout(typing);
    typing = setTimeout(() => change({ text: element('text').value.trim() }), TYPING_MS);
  });
  element('filter').addEventListener('submit', async event => {
    event.preventDefault();
    clearTimeout(typing);
    await change({ text: element('text').value.trim() });
    choose(1);
  });
  for (const id of ['species', 'order']) {
    element(id).addEventListener('change', () => change({ [id]: element(id).value }));
  }
  for (const id of ['urgent', 'missing', 'mine']) {
    element(id).addEventListener('change', () => change({ [id]: element(id).checked }));
  }
  element('clear').addEventListener('click', () => {
    element('text').value = '';
    change({ ...everything(), stage: filter.stage, order: filter.order });
    element('text').focus();
  });
  element('previous').addEventListener('click', () => turn(-1));
  element('next').addEventListener('click', () => turn(1));
  document.addEventListener('visibilitychange', () => document.hidden || refresh());
  document.addEventListener('keydown', pressed);
}

function kept() {
  try {
    return localStorage.getItem(KEPT);
  } catch {
    return null;
  }
}

async function start() {
  const asked = new URLSearchParams(location.search);
  filter = asked.size ? fromQuery(asked) : fromKept(kept());
  makeStages();
  showFilter();
  listen();
  refresh();
  let session;
  try {
    session = (await call('/api/session')).content;
  } catch {
    return; // the list says what is wrong
  }
  csrf = session.csrf;
  takeOver(session.user, session.preferences);
  settingsOf(csrf);
  gives = Boolean(session.whole_node) && (session.sites ?? []).length > 1;
  showSites(session.sites ?? []);
  element('who').textContent = personName(session.display) || session.user;
  element('administration').hidden = !session.roles.includes('administrator');
  element('sign-out').addEventListener('click', async () => {
    const headers = { 'X-Sesamoid-Token': csrf };
    await call('/api/session', { method: 'DELETE', headers }).catch(() => undefined);
    location.assign(session.confirms === 'provider' ? '/oidc/sign-out' : '/login');
  });
}

start();
