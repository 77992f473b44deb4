// @ts-check
/** What can be measured, in words, and the second images that go with it. */

import { dayText } from './numbers.js';
import { sameView } from './priors.js';
import { shortLabel } from './map_state.js';
import { published } from './said.js';
import { strings } from './strings.js';

/**
 * @typedef {{id: string, name: string, where: string}} Mark
 * @typedef {{kind: string, name: string, title: string, region: string, section: string, view: string, needed: number,
 *   sized: boolean, second: ''|'control'|'marked control'|'across', landmarks: Mark[],
 *   guidance: string, traps: string, here: boolean, how: string, lines: [string, string][],
 *   published: any[]}} Offer
 * @typedef {{view: string, study: string, date: string, label: string}} Second
 *   study: "" is the one that is being read
 */

/** An offer with its words; those of published measurements come from the node. @returns {Offer} */
export function worded(/** @type {Offer} */ offer) {
  const words = strings.measuring.offers[offer.kind];
  if (!words) return published(offer);
  const landmarks = offer.landmarks.map(mark => ({ ...mark, name: words.marks[mark.id] ?? mark.id }));
  return { ...offer, title: words.title, guidance: words.guidance, landmarks };
}

/**
 * Offers by section: that of the structure being measured first, then the search pattern's order,
 * and at the end what gives a scale.
 * @param {Offer[]} offers @param {string[]} order @param {string} first
 * @returns {{section: string, offers: Offer[]}[]}
 */
export function bySection(offers, order, first) {
  const sections = [...new Set([first, ...order, ...offers.map(offer => offer.section).filter(Boolean), ''])];
  return sections.map(section => ({ section, offers: offers.filter(offer => offer.section === section) })).filter(one => one.offers.length);
}

/** Images that can be the control of what is measured on `view`, or the view across to it. */
export function secondImages(session, offer, view) {
  const here = session.template.views.find(one => one.uid === view);
  if (!here || !offer.second) return [];
  if (offer.second === 'across') return today(session, one => here.orthogonal.includes(one.uid));
  const other = one => one.uid !== view && one.side !== here.side && sameView(one.view, here.view);
  return [...today(session, other), ...earlierImages(session, view)];
}

function today(session, fits) {
  return session.template.views.filter(fits).map(one => ({ view: one.uid, study: '', date: '', label: viewLabel(session, one.uid) }));
}

/** The same view of the same limb in earlier studies whose images are on the node, newest first. */
export function earlierImages(session, view) {
  const here = session.template.views.find(one => one.uid === view);
  if (!here) return [];
  return session.priors.studies.filter(study => study.state === 'here').flatMap(study => study.images
    .filter(image => sameView(image.view, here.view) && (image.side === here.side || image.side === 'U'))
    .map(image => ({ view: image.uid, study: study.study_uid, date: study.study_date, label: `${dayText(study.study_date)} ${image.view}` })));
}

/** "R DPa", or the date with the view where it is an earlier image. */
export function viewLabel(session, uid) {
  const view = session.template.views.find(one => one.uid === uid);
  if (view) return `${view.side && view.side !== 'U' ? `${view.side} ` : ''}${shortLabel(view)}`;
  const study = session.priors.studies.find(one => one.images.some(image => image.uid === uid));
  const image = study?.images.find(one => one.uid === uid);
  return image ? `${dayText(study.study_date)} ${image.view}` : '';
}

/** The object of known size that gives an image its scale, as the reader accepted it. */
export function scaleOf(reading, view, without = '') {
  const found = reading.measurements.filter(m => m.view === view && m.id !== without && ['ball', 'ruler'].includes(m.computed?.kind ?? '')).at(-1);
  return found ? { kind: found.computed.kind, points: found.points, true_mm: found.computed.true_mm } : null;
}
