// @ts-check
/**
 * What is drawn over one image, as plain shapes in the viewport's own coordinates. No page, no
 * viewer: `overlay.js` puts it on the screen, tests look at it.
 *
 * @typedef {[number, number]} Point
 * @typedef {'now'|'kept'|'dim'} Tone dim: there to be known, not to be looked at
 * @typedef {{uid: string, kind: 'line'|'outline'|'points'|'circle'|'cross', name: string, points: Point[],
 *   radius?: number, tone: Tone}} LayerShape
 * @typedef {{uid: string, id: string, name: string, label: string, point: Point, chosen: boolean}} Handle
 * @typedef {{uid: string, point: Point, text: string, tone: Tone}} Label
 * @typedef {{shapes: LayerShape[], handles: Handle[], labels: Label[]}} Layer
 * @typedef {{tag: string, attributes: Record<string, string>, text?: string, handle?: string}} Mark
 */

/** @returns {Layer} */
export const emptyLayer = () => ({ shapes: [], handles: [], labels: [] });

/** @param {Layer} a  @param {Layer} b  @returns {Layer} */
export function joinedLayers(a, b) {
  return { shapes: [...a.shapes, ...b.shapes], labels: [...a.labels, ...b.labels], handles: [...a.handles, ...b.handles] };
}

const COLOUR = { now: '#f0ab45', kept: '#d8d3c6', dim: '#b8b2a4' };
const OPACITY = { now: '1', kept: '0.75', dim: '0.6' };
const HANDLE = 7;
const LETTERS = 'system-ui, sans-serif';
/** Of a label on a plate. */
export const LABEL_FONT = `12.5px ${LETTERS}`;

/**
 * The marks of one image.
 * @param {Layer} layer
 * @param {string} uid
 * @param {(point: Point) => Point} place image point -> point of the viewport
 * @param {{width: number, height: number}} size of the viewport
 * @param {(text: string) => number} widthOf pixels that a text in LABEL_FONT takes
 * @returns {Mark[]}
 */
export function marks(layer, uid, place, size, widthOf = text => text.length * 7.4) {
  const of = list => list.filter(one => one.uid === uid);
  return [
    ...of(layer.shapes).flatMap(shape => shapeMarks(shape, place)),
    ...of(layer.labels).flatMap(label => labelMarks(label, place, size, widthOf)),
    ...of(layer.handles).flatMap(handle => handleMarks(handle, place)),
  ];
}

/** A dark line under a light one is seen on bone and on air. */
function cased(tag, attributes, tone, width, extra = {}) {
  const base = { ...attributes, fill: 'none', 'stroke-linecap': 'round', 'stroke-linejoin': 'round', ...extra };
  return [
    { tag, attributes: { ...base, stroke: '#000', 'stroke-opacity': tone === 'dim' ? '0.35' : '0.55', 'stroke-width': String(width + 2) } },
    { tag, attributes: { ...base, stroke: COLOUR[tone], 'stroke-opacity': OPACITY[tone], 'stroke-width': String(width) } },
  ];
}

function shapeMarks(shape, place) {
  const points = shape.points.map(place);
  if (!points.length) return [];
  if (shape.kind === 'circle') {
    const [x, y] = shape.points[0];
    const rim = place([x + (shape.radius ?? 0), y]);
    const r = Math.hypot(rim[0] - points[0][0], rim[1] - points[0][1]);
    return cased('circle', { cx: show(points[0][0]), cy: show(points[0][1]), r: show(r) }, shape.tone, 1.5);
  }
  if (shape.kind === 'cross') {
    const [x, y] = points[0];
    return cased('path', { d: `M${show(x - 14)} ${show(y)}h10m8 0h10M${show(x)} ${show(y - 14)}v10m0 8v10` }, shape.tone, 1.5);
  }
  if (shape.kind === 'points') {
    const dots = points.map(([x, y]) => `M${show(x)} ${show(y)}h.01`).join('');
    return cased('path', { d: dots }, shape.tone, shape.name.startsWith('skin') ? 2 : 2.6);
  }
  const path = `M${points.map(point => point.map(show).join(' ')).join('L')}${shape.kind === 'outline' ? 'Z' : ''}`;
  return cased('path', { d: path }, shape.tone, shape.tone === 'dim' ? 1 : 1.5, shape.name.includes('axis') ? { 'stroke-dasharray': '7 5' } : {});
}

function labelMarks(label, place, size, widthOf) {
  const [x, y] = place(label.point);
  if (label.tone === 'dim') return dimLabel(label, x, y, size);
  const wide = widthOf(label.text) + 10;
  const left = Math.max(2, Math.min(size.width - wide - 2, x + 12));
  const top = Math.max(2, Math.min(size.height - 22, y - 38));
  return [
    { tag: 'rect', attributes: { x: show(left), y: show(top), width: show(wide), height: '20', rx: '3', fill: '#101214', 'fill-opacity': '0.82' } },
    {
      tag: 'text', text: label.text,
      attributes: { x: show(left + 5), y: show(top + 14), fill: COLOUR[label.tone], 'font-size': '12.5', 'font-family': LETTERS },
    },
  ];
}

/** Small and without a plate, beside what it names; on the other side where the image ends. */
function dimLabel(label, x, y, size) {
  const room = x + 6 + label.text.length * 5.6 < size.width;
  return [{
    tag: 'text', text: label.text,
    attributes: {
      x: show(room ? x + 6 : x - 6), y: show(y + 4), 'text-anchor': room ? 'start' : 'end', fill: COLOUR.kept, 'fill-opacity': '0.8', stroke: '#000', 'stroke-opacity': '0.5',
      'stroke-width': '2', 'paint-order': 'stroke', 'font-size': '11', 'font-family': LETTERS,
    },
  }];
}

function handleMarks(handle, place) {
  const [x, y] = place(handle.point);
  const at = { cx: show(x), cy: show(y) };
  const ring = handle.chosen ? { 'stroke-width': '3', stroke: '#fff' } : { 'stroke-width': '2', stroke: COLOUR.now };
  return [
    { tag: 'circle', attributes: { ...at, r: String(HANDLE + 1.5), fill: 'none', stroke: '#000', 'stroke-opacity': '0.6', 'stroke-width': '2' } },
    { tag: 'path', attributes: { d: `M${show(x - 2.5)} ${show(y)}h5M${show(x)} ${show(y - 2.5)}v5`, stroke: COLOUR.now, fill: 'none' } },
    {
      // The circle that takes the pointer is larger than what is seen of it.
      tag: 'circle', handle: handle.id,
      attributes: {
        ...at, r: String(HANDLE), fill: '#000', 'fill-opacity': '0.01', ...ring, tabindex: '0', role: 'button',
        'aria-label': handle.name, style: 'pointer-events:auto;cursor:move;outline:none',
      },
    },
    {
      tag: 'text', text: handle.label,
      attributes: { x: show(x + HANDLE + 4), y: show(y + HANDLE + 9), fill: COLOUR.now, stroke: '#000', 'stroke-width': '3', 'paint-order': 'stroke', 'font-size': '12', 'font-family': LETTERS },
    },
  ];
}

/** A tenth of a pixel is as fine as anybody sees. */
function show(number) {
  return String(Math.round(number * 10) / 10);
}
