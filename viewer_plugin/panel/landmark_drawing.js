// @ts-check
/** A small drawing of a measurement: where its numbered landmarks lie, and the lines between them. */

import { h } from './dom.js';
import { pictureOf } from './landmark_pictures.js';
import { strings } from './strings.js';

const text = strings.measuring;

/**
 * @param {import('./measure_offers.js').Offer} offer
 * @param {number} chosen landmark that is to be set next
 */
export function landmarkDrawing(offer, chosen) {
  const picture = pictureOf(offer);
  if (!picture) return null;
  const { outlines, spots, lines } = picture;
  const label = text.drawing(offer.landmarks.map((mark, i) => `${i + 1} ${mark.name}`));
  return h('svg', { key: 'drawing', class: 'construction', viewBox: '0 0 130 152', width: '104', height: '122', role: 'img', 'aria-label': label },
    outlines.map((d, i) => h('path', { key: `outline ${i}`, class: 'bone', d })),
    lines.map(([from, to], i) => h('line', { key: `line ${i}`, class: i ? 'stroke two' : 'stroke', ...ends(spots[from], spots[to]) })),
    offer.landmarks.map((mark, i) => spot(spots[mark.id], i, i === chosen)));
}

function spot([x, y], index, chosen) {
  return h('g', { key: `spot ${index}`, class: chosen ? 'spot chosen' : 'spot' },
    h('circle', { cx: String(x), cy: String(y), r: '7.5' }), h('text', { x: String(x), y: String(y + 3.7), 'text-anchor': 'middle' }, String(index + 1)));
}

function ends([x1, y1], [x2, y2]) {
  return { x1: String(x1), y1: String(y1), x2: String(x2), y2: String(y2) };
}
