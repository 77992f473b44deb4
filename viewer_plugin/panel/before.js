// @ts-check
/** What was before and what is beside: earlier studies, the other limb, and what has changed. */

import { placesGuessed } from './beside_guide.js';
import { changeBlock } from './change_block.js';
import { h } from './dom.js';
import { keyOf } from './keys.js';
import { localDateTime, personName } from './header.js';
import { pairs } from './priors.js';
import { computedName, dayText as day } from './numbers.js';
import { lower, strings } from './strings.js';

const text = strings.before;
const STUDIES_SHOWN = 8;

/** One line in the head of the panel; nothing when there is nothing to go to. */
export function beforeLine({ session }) {
  const { priors } = session;
  const words = summaryWords(priors);
  const beside = otherLimb(session).length > 0;
  if (!words && !beside) return null;
  return h('button', { key: 'before', class: 'before-line', 'aria-current': session.section === 'before' ? 'page' : undefined, onclick: () => session.chooseSection('before') },
    h('span', { class: 'mark', 'aria-hidden': 'true' }, '↺'), h('span', null, words || text.besideOnly), h('kbd', null, keyOf('before')));
}

function summaryWords({ answer, error, studies }) {
  if (error) return text.failed;
  if (!answer) return '';
  const { state } = answer.search;
  const own = studies.filter(study => study.state !== 'refused');
  const found = own.length + answer.more;
  const refused = studies.length - own.length;
  const count = [found ? text.count(found, day(own[0]?.study_date ?? '')) : '', refused ? text.notTaken(refused) : ''].filter(Boolean).join(' · ');
  if (state === 'looking') return [count, text.looking].filter(Boolean).join(' · ');
  if (state === 'failed') return [count, text.noAnswer].filter(Boolean).join(' · ');
  return count;
}

/** @param {any} ctx */
export function beforePage(ctx) {
  const { session } = ctx;
  const { priors } = session;
  return h('section', { key: 'before page', class: 'conclude before', 'aria-label': text.title, tabindex: '-1', 'data-place': 'before' },
    h('div', { class: 'block' },
      h('div', { class: 'title' }, h('h2', null, text.title), h('button', { class: 'btn', onclick: () => session.back() }, text.back, h('kbd', null, 'esc')))),
    search(session),
    sides(ctx),
    changes(session),
    studyList(ctx),
    priors.answer && !priors.studies.length && h('p', { key: 'none', class: 'dim' }, text.none));
}

function search(session) {
  const { answer, error } = session.priors;
  if (error) return h('p', { key: 'search', class: 'bad', role: 'alert' }, `${text.failed} ${error}`);
  if (!answer) return h('p', { key: 'search', class: 'dim', role: 'status' }, text.asking);
  const { state, found, detail, next_at } = answer.search;
  if (state === 'looking') {
    const here = answer.studies.filter(study => study.state === 'here').length;
    const open = answer.studies.filter(study => study.state === 'archive').length;
    return h('div', { key: 'search', role: 'status' }, h('p', null, found ? text.fetching(here, here + open) : text.looking),
      h('progress', { 'aria-label': text.looking, ...(found ? { max: here + open || 1, '.value': here } : {}) }));
  }
  if (state === 'failed') {
    const again = next_at ? ` ${text.again(localDateTime(next_at).slice(11))}` : '';
    return h('p', { key: 'search', class: 'bad', role: 'status' }, `${text.noAnswer}: ${detail || answer.search.words}${again}`);
  }
  return h('p', { key: 'search', class: 'dim', role: 'status' }, state === 'off' ? text.off : text.found(found));
}

/** While images are beside: what is linked, and the way back; in every section. */
export function besideBar({ session, host }) {
  if (!session.beside) return null;
  const close = () => {
    host.alone();
    session.update({ beside: '' });
  };
  return h('div', { key: 'bar', class: 'beside-bar', role: 'status' }, h('p', null, text.besideNow, guessed(session)), h('button', { class: 'btn', onclick: close }, text.alone));
}

/** Where beside the tour goes only to guessed places, and how that is put right. */
function guessed(session) {
  return placesGuessed(session) && h('span', { key: 'guessed', class: 'dim' }, ' ', strings.tour.guessed, ' ', h('kbd', null, keyOf('landmarks')));
}

/** The same views of right and left. */
export function otherLimb(session) {
  const { views } = session.template;
  return pairs(views.filter(view => view.side === 'R'), views.filter(view => view.side === 'L'), true);
}

function sides({ session, host }) {
  const found = otherLimb(session);
  if (!found.length) return null;
  return h('div', { key: 'sides', class: 'block' }, h('h3', null, text.otherLimb),
    h('button', { class: 'btn', onclick: () => showBeside(session, host, { study: '', images: [], pairs: found }) }, text.showSides));
}

/** @param {{study: string, images: any[], pairs: [string, string][]}} plan */
export function showBeside(session, host, plan) {
  session.update({ beside: plan.study || 'sides', plan });
  Promise.resolve(host.beside(plan)).then(done => done || session.update({ beside: '', message: text.notShown }));
}

/** Today's measurements with those of before, and what has changed. */
function changes(session) {
  const rows = session.reading.measurements.flatMap(m => {
    const block = changeBlock(session, m);
    return block ? [changeRow(session, m, block)] : [];
  });
  return rows.length > 0 && h('div', { key: 'changes', class: 'block' }, h('h3', null, text.changes), h('ul', { class: 'changes' }, rows));
}

function changeRow(session, m, block) {
  const item = session.template.items.find(one => one.id === m.item);
  const what = m.computed ? computedName(m.computed, strings.measuring.kinds) : lower(strings.finding[m.kind]);
  return h('li', { key: m.id }, h('p', { class: 'sentence' }, `${item?.name ?? m.item}, ${what}`), block);
}

function studyList(ctx) {
  const { session } = ctx;
  const { studies, answer } = session.priors;
  const shown = studies.slice(0, STUDIES_SHOWN + (session.moreStudies ?? 0));
  const rest = studies.length - shown.length;
  return h('div', { key: 'studies', class: 'block' },
    studies.length > 0 && h('h3', null, text.studies),
    h('ul', { class: 'studies' }, shown.map(study => studyCard(ctx, study))),
    rest > 0 && h('button', { key: 'more', class: 'link', onclick: () => session.update({ moreStudies: (session.moreStudies ?? 0) + 20 }) }, text.moreStudies(rest)),
    answer?.more > 0 && h('p', { key: 'unlisted', class: 'dim' }, text.unlisted(answer.more)));
}

function studyCard(ctx, study) {
  const { session, host } = ctx;
  const found = pairs(session.template.views, study.images);
  const place = [study.sides.map(side => lower(strings.sides[side])).join(', '), study.regions.map(r => r.replaceAll('_', ' ')).join(', '), study.views.join(', ')].filter(Boolean).join(' · ');
  const show = () => showBeside(session, host, { study: study.study_uid, images: study.images.map(image => ({ ...image, date: study.study_date })), pairs: found });
  return h('li', { key: study.study_uid, class: study.state === 'here' ? 'prior' : 'prior away' },
    h('div', { class: 'title' }, h('strong', null, day(study.study_date)), study.state !== 'here' && h('span', { class: 'tag' }, text.states[study.state])),
    (study.description || place) && h('p', { class: 'dim' }, [study.description, place].filter(Boolean).join(' · ')),
    study.detail && h('p', { class: study.state === 'refused' ? 'bad' : 'dim' }, study.detail),
    study.images.length > 0 && h('div', { class: 'buttons' },
      found.length ? h('button', { class: 'btn', 'aria-pressed': String(session.beside === study.study_uid), onclick: show }, text.beside(found.length)) : h('p', { class: 'dim' }, text.noPair)),
    study.withdrawn > 0 && h('p', { class: 'bad' }, text.withdrawn(study.withdrawn)),
    study.report && ownReport(host, study),
    study.foreign.map(one => foreignReport(host, study, one)),
    study.unreadable.map((sentence, i) => h('p', { key: `bad ${i}`, class: 'bad' }, `▲ ${sentence}`)));
}

function ownReport(host, { study_uid, report }) {
  const { kind, signed_by, signed_at, versions, impression, findings, addenda, recommendations, note } = report;
  const head = [versions > 1 ? text.version(versions, strings.versions.kinds[kind] ?? kind) : text.report, personName(signed_by), signed_at && localDateTime(signed_at)].filter(Boolean).join(' · ');
  return h('div', { key: 'report', class: 'told' },
    h('div', { class: 'title' }, h('p', { class: 'dim' }, head), openButton(host, report, study_uid)),
    impression && h('p', null, impression),
    addenda.map((words, i) => h('p', { key: `add ${i}` }, h('span', { class: 'tag' }, text.addendum), ' ', words)),
    findings.length > 0 && h('details', null, h('summary', null, text.findings(findings.length)),
      h('ul', null, findings.map((one, i) => h('li', { key: String(i) }, one))), recommendations && h('p', { class: 'dim' }, recommendations)),
    note && h('p', { class: 'bad' }, note));
}

function openButton(host, document, study) {
  return h('button', { class: 'link', 'aria-label': `${strings.documents.open}: ${text.report}`, onclick: () => host.openDocument(document.series_uid, document.sop_instance_uid, study) }, strings.documents.open);
}

function foreignReport(host, { study_uid }, one) {
  const standing = one.verified ? text.foreignSigned : text.foreignUnsigned;
  return h('div', { key: one.sop_instance_uid, class: 'told' },
    h('div', { class: 'title' }, h('p', { class: 'dim' }, [one.title, one.maker || text.maker, standing].filter(Boolean).join(' · ')), openButton(host, one, study_uid)),
    h('p', null, text.measured(one.measurements)),
    one.texts.length > 0 && h('details', null, h('summary', null, text.says),
      one.texts.map(([name, words], i) => h('p', { key: String(i) }, h('span', { class: 'dim' }, `${name}: `), words))),
    one.not_read.length > 0 && h('p', { class: 'dim' }, text.notRead(one.not_read.join('; '))));
}
