// @ts-check
/**
 * A small drawing of how a published measurement is constructed: the two lines between numbered
 * landmarks, each line in its own stroke, the angle or ratio between them.
 */

import { h } from './dom.js';
import { strings } from './strings.js';

const text = strings.measuring;

/** Where each of four ends is drawn: an axis from top to bottom, a joint line across below it. */
const PLACES = { axis: [[60, 14], [60, 74]], across: [[24, 96], [98, 86]], second: [[60, 74], [92, 122]] };

/**
 * @param {any} offer
 * @param {number} chosen landmark that is to be set next
 */
export function landmarkDrawing(offer, chosen) {
  const { construction, landmarks } = offer;
  const spots = places(construction);
  const line = (pair, kind) => h('line', { class: `stroke ${kind}`, ...ends(spots[pair[0]], spots[pair[1]]) });
  const label = text.drawing(pairWords(construction.first), pairWords(construction.second), construction.kind);
  const all = Object.values(spots);
  const [left, right] = [Math.min(...all.map(([x]) => x)) - 14, Math.max(...all.map(([x]) => x)) + 14];
  const bottom = Math.max(...all.map(([, y]) => y)) + 12;
  const size = { viewBox: `${left} 0 ${right - left} ${bottom}`, width: String(right - left), height: String(bottom) };
  return h('svg', { key: 'drawing', class: 'construction', ...size, role: 'img', 'aria-label': label },
    line(construction.first, 'one'), line(construction.second, 'two'),
    landmarks.map((mark, i) => {
      const [x, y] = spots[mark.id];
      return h('g', { key: mark.id, class: i === chosen ? 'spot chosen' : 'spot' },
        h('circle', { cx: String(x), cy: String(y), r: '8' }), h('text', { x: String(x), y: String(y + 4), 'text-anchor': 'middle' }, String(i + 1)));
    }));
}

const pairWords = pair => pair.map(name => name.replaceAll('_', ' ')).join(' – ');

function ends([x1, y1], [x2, y2]) {
  return { x1: String(x1), y1: String(y1), x2: String(x2), y2: String(y2) };
}

/** Proximal above distal, a joint line across; what both lines share is where they meet. */
export function places({ first, second }) {
  const shared = first.find(name => second.includes(name));
  const spots = {};
  const upright = isAcross(first) ? second : first;
  const other = upright === first ? second : first;
  const order = isDown(upright) ? upright : [...upright].reverse();
  order.forEach((name, i) => (spots[name] = PLACES.axis[i]));
  const lying = isAcross(other) ? PLACES.across : PLACES.second.map(([x, y]) => [x, y + (shared ? 0 : 6)]);
  other.filter(name => !(name in spots)).forEach((name, i, rest) => (spots[name] = rest.length === 1 ? lying[1] : lying[i]));
  return spots;
}

const isAcross = pair => pair.some(name => /joint|condyle|plateau|cochlea|medial|lateral|cranial|caudal|rim|tip/.test(name)) && !pair.some(name => /axis/.test(name));

function isDown([from, to]) {
  const rank = name => (/proximal|head|femoral|wall_prox|tibial_inter/.test(name) ? 0 : /distal|talar|intercondylar|articular/.test(name) ? 2 : 1);
  return rank(from) <= rank(to);
}
