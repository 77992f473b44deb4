// @ts-check
/** The administrator's page: peers, queue, quarantine, audit trail. */

import { call } from './node.js';
import { bytes, deliveryWords, documentName, since } from './adminwords.js';
import { askForAccount, askForPeer, rolesInWords } from './looked_after.js';
import { ask as askAbout } from './quarantine.js';
import { say } from './say.js';
import { settingsOf } from './settings.js';
import { takeOver } from '/plugin/panel/preferences.js';
import { localMoment, patient, personName } from './words.js';

const EVERY_MS = 5000;
const ECHO_MS = 60000;
const PAGE = 50;

const element = id => /** @type {any} */ (document.getElementById(id));
let csrf = '';
/** Where to go after signing out. */
let afterwards = '/login';
let offset = 0;
/** @type {Map<string, any>} what each peer answered last */
const echoes = new Map();
/** @type {any[]} */
let peers = [];

/** All text goes in as text: a script in a name is only seen. */
function make(tag, kind = '', text = '') {
  const made = document.createElement(tag);
  if (kind) made.className = kind;
  if (text) made.textContent = text;
  return made;
}

function cell(kind, ...content) {
  const made = make('td', kind);
  made.append(...content.filter(Boolean));
  return made;
}

const sub = text => (text ? make('span', 'sub', text) : '');
const moment = text => localMoment(text, true) || '–';

function state(wants, sign, text, detail = '') {
  const mark = make('span', 'mark', sign);
  mark.setAttribute('aria-hidden', 'true');
  return cell(wants ? 'state wants' : 'state', mark, make('span', '', text), sub(detail));
}

function button(text, label, action) {
  const made = /** @type {HTMLButtonElement} */ (make('button', '', text));
  made.type = 'button';
  made.dataset.key = label;
  made.setAttribute('aria-label', label);
  made.addEventListener('click', () => doing(made, action));
  return made;
}

/** @param {HTMLButtonElement} control  @param {() => Promise<void>} action */
async function doing(control, action) {
  control.disabled = true;
  try {
    await action();
  } catch (error) {
    failed(error);
  } finally {
    control.disabled = false;
  }
}

function failed(error) {
  if (error.status === 401) location.assign(`/login?next=${encodeURIComponent('/admin')}`);
  element('trouble').textContent = error.message;
  element('trouble').hidden = false;
}

function announce(text) {
  element('said').textContent = text;
}

function send(method, path, body = {}) {
  const content = method === 'DELETE' ? {} : { body: JSON.stringify(body) };
  return call(path, { method, ...content, headers: { 'X-Sesamoid-Token': csrf } });
}

const post = (path, body = {}) => send('POST', path, body);

async function done(sentence) {
  announce(sentence);
  await refresh();
}

/** New rows; the button that had the focus keeps it. */
function fill(id, rows) {
  const key = /** @type {any} */ (document.activeElement)?.dataset?.key;
  element(id).replaceChildren(...rows);
  element(`${id}-empty`).hidden = rows.length > 0;
  element(id).closest('.scroll').hidden = rows.length === 0;
  if (key) [...element(id).querySelectorAll('button')].find(b => b.dataset.key === key)?.focus();
}

function rowOf(...cells) {
  const made = make('tr');
  made.append(...cells);
  return made;
}

/** @param {string} name  @param {Record<string, string | number>} [values] */
const saidOf = (name, values) => say(`admin.figures.${name}`, values);

function figure(name, value, detail = '', wants = false) {
  const made = make('div', wants ? 'wants' : '');
  const shown = make('dd', '', value);
  shown.append(sub(detail));
  made.append(make('dt', '', saidOf(name)), shown);
  return made;
}

function showFigures(seen) {
  const { studies, deliveries, node } = seen;
  const open = (deliveries.owed ?? 0) + (deliveries.sent ?? 0);
  const low = seen.free_bytes < 0.05 * seen.disk_bytes;
  element('figures').replaceChildren(
    figure('to_read', String((studies.waiting ?? 0) + (studies.reading ?? 0)), saidOf('arriving', { n: studies.arriving ?? 0 })),
    figure('trouble', String(studies.failed ?? 0), saidOf('not_prepared'), Boolean(studies.failed)),
    figure('to_deliver', String(open), seen.oldest_delivery ? saidOf('oldest', { age: since(seen.oldest_delivery) }) : saidOf('nothing_waits')),
    figure('refused', String(deliveries.refused ?? 0), saidOf('by_archive'), Boolean(deliveries.refused)),
    figure('quarantine', String(seen.quarantined), saidOf('same_uid'), seen.quarantined > 0),
    figure('stored', bytes(seen.object_bytes), saidOf('objects', { n: seen.objects })),
    figure('free', bytes(seen.free_bytes), saidOf('of', { size: bytes(seen.disk_bytes) }), low),
    figure('dicom', saidOf(node.listening ? 'listening' : 'stopped'), saidOf('at', { title: node.ae_title, place: node.dimse }), !node.listening),
    figure('running', since(node.started_at), saidOf('version', { version: node.version })),
  );
}

function showPeers() {
  fill('peers', peers.map(peer => {
    const said = echoes.get(peer.name);
    const uses = [
      peer.archive && say('admin.peers.archive'),
      peer.commitment && say('admin.peers.commitment'),
      peer.retrieve !== 'none' && say('admin.peers.earlier', { how: `C-${peer.retrieve.toUpperCase()}` }),
    ].filter(Boolean).join(', ');
    return rowOf(
      cell('', make('strong', '', peer.name)),
      cell('uid', peer.ae_title),
      cell('uid', `${peer.host}:${peer.port}`),
      cell('', uses || '–'),
      !said ? state(false, '…', say('admin.peers.asking'))
        : said.answers ? state(false, '●', say('admin.peers.yes', { ms: said.milliseconds }))
          : state(true, '!', say('admin.peers.no'), said.detail),
      cell('act', button(say('admin.peers.ask'), say('admin.peers.ask_named', { name: peer.name }), () => ask(peer.name)),
        peer.of_file ? sub(say('admin.peers.of_file'))
          : button(say('admin.change'), say('admin.peers.change_named', { name: peer.name }), async () => askForPeer(peer, send, changedPeers))),
    );
  }));
}

async function changedPeers(sentence) {
  await done(sentence);
  echoes.clear();
  await askAll();
}

function showAccounts({ rows }) {
  fill('accounts', rows.map(account => rowOf(
    cell('', make('strong', '', account.name)),
    cell('', personName(account.display) || '–'),
    cell('', rolesInWords(account.roles)),
    account.disabled ? state(true, '!', say('admin.accounts.disabled')) : state(false, '●', say('admin.accounts.enabled')),
    cell('act', button(say('admin.change'), say('admin.accounts.change_named', { name: account.name }), async () => askForAccount(account, send, done))),
  )));
}

async function ask(name) {
  const { content } = await post(`/api/admin/peers/${encodeURIComponent(name)}/echo`);
  echoes.set(name, content);
  showPeers();
}

function showQueue({ rows, total }) {
  element('retry-all').hidden = total === 0;
  element('queue-more').hidden = total <= rows.length;
  element('queue-more').textContent = say('admin.queue.more', { n: total - rows.length });
  fill('queue', rows.map(row => {
    const { wants, sign, text } = deliveryWords(row);
    return rowOf(
      cell('', make('strong', '', patient(row)), sub(row.patient_id)),
      cell('', documentName(row)),
      cell('', row.destination || say('admin.queue.no_archive')),
      state(wants, sign, text, row.error),
      cell('nowrap', moment(row.created_at)),
      cell('nowrap', row.next_at ? moment(row.next_at) : '–'),
      cell('act', row.destination
        ? button(say('admin.queue.try'), say('admin.queue.try_named', { document: documentName(row), name: patient(row), id: row.id }), () => retry([row.id])) : ''),
    );
  }));
}

async function retry(ids) {
  const { content } = await post('/api/admin/outbox/retry', { ids });
  announce(say('admin.queue.tried', { n: content.tried }));
  await refresh();
}

function showQuarantine({ rows }) {
  fill('quarantine', rows.map(row => rowOf(
    cell('', make('strong', '', patient(row)), sub(row.patient_id)),
    cell('uid', row.sop_instance_uid),
    cell('', row.source),
    cell('nowrap', moment(row.received_at)),
    cell('nowrap', bytes(row.size)),
    row.decision
      ? cell('', make('span', '', say(row.decision === 'replace' ? 'admin.quarantine.second_used' : 'admin.quarantine.first_kept')), sub([row.decided_by, row.reason].filter(Boolean).join(': ')))
      : state(true, '!', say('admin.quarantine.not_yet')),
    cell('act', button(say('admin.quarantine.decide'), say('admin.quarantine.decide_named', { uid: row.sop_instance_uid }), () => decide(row.id))),
  )));
}

async function decide(number) {
  const said = await askAbout(number);
  if (!said) return;
  await post(`/api/admin/quarantine/${number}`, said);
  announce(say(`admin.quarantine.decided.${said.decision}`));
  await refresh();
}

function auditQuery() {
  const query = new URLSearchParams({ limit: String(PAGE), offset: String(offset) });
  for (const name of ['text', 'user', 'study', 'since', 'until']) {
    const value = element(name).value.trim();
    if (value) query.set(name, value);
  }
  return query;
}

/** One that another version of the program wrote stays as it is. @param {string} event */
function eventName(event) {
  const path = `admin.audit.events.${event}`;
  const said = say(path);
  return said === path ? event : said;
}

async function showAudit() {
  const { content } = await call(`/api/admin/audit?${auditQuery()}`);
  fill('audit', content.rows.map(row => rowOf(
    cell('nowrap', moment(row.at)),
    cell('', eventName(row.event)),
    cell('', row.user || '–'),
    cell('uid', row.study_uid || '–'),
    cell('question', row.detail || '–'),
  )));
  element('newer').disabled = offset === 0;
  element('older').disabled = content.rows.length < PAGE;
}

async function refresh() {
  try {
    const [seen, queue, aside, accounts, known] = await Promise.all([
      call('/api/admin/overview'), call('/api/admin/outbox?limit=100'), call('/api/admin/quarantine'),
      call('/api/admin/users'), call('/api/admin/peers'),
    ]);
    element('trouble').hidden = true;
    peers = known.content.rows;
    showFigures(seen.content);
    showPeers();
    showQueue(queue.content);
    showQuarantine(aside.content);
    showAccounts(accounts.content);
  } catch (error) {
    failed(error);
  }
}

async function askAll() {
  await Promise.all(peers.map(peer => ask(peer.name).catch(failed)));
}

function again(every, action) {
  setInterval(() => { if (!document.hidden) action(); }, every);
}

function listen() {
  element('search').addEventListener('submit', event => {
    event.preventDefault();
    offset = 0;
    showAudit().catch(failed);
  });
  for (const [id, step] of /** @type {[string, number][]} */ ([['newer', -PAGE], ['older', PAGE]])) {
    element(id).addEventListener('click', () => {
      offset = Math.max(0, offset + step);
      showAudit().catch(failed);
    });
  }
  element('peer-add').addEventListener('click', () => askForPeer(null, send, changedPeers));
  element('account-add').addEventListener('click', () => askForAccount(null, send, done));
  element('retry-all').addEventListener('click', event => doing(event.currentTarget, () => retry([])));
  element('verify').addEventListener('click', event => doing(event.currentTarget, async () => {
    const { content } = await post('/api/admin/audit/verify');
    const { why, broken_at: number, count, head } = content;
    announce(why ? say(number ? 'admin.audit.broken_at' : 'admin.audit.broken', { number, why })
      : say('admin.audit.whole', { count, digest: head.slice(0, 16) }));
  }));
  element('sign-out').addEventListener('click', async () => {
    const headers = { 'X-Sesamoid-Token': csrf };
    await call('/api/session', { method: 'DELETE', headers }).catch(() => undefined);
    location.assign(afterwards);
  });
}

async function start() {
  listen();
  try {
    const session = (await call('/api/session')).content;
    if (session.confirms === 'provider') afterwards = '/oidc/sign-out';
    csrf = session.csrf;
    takeOver(session.user, session.preferences);
    settingsOf(csrf);
    element('who').textContent = personName(session.display) || session.user;
  } catch (error) {
    return failed(error);
  }
  await Promise.all([refresh(), showAudit().catch(failed)]);
  await askAll();
  again(EVERY_MS, refresh);
  again(ECHO_MS, askAll);
}

start();
