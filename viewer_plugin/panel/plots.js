// @ts-check
/** Small plots as SVG trees. Each says in words what it shows, for those who do not see it. */

import { h } from './dom.js';
import { unitText } from './numbers.js';
import { strings } from './strings.js';

const text = strings.measuring;
const WIDTH = 320;

/** A scale from numbers to pixels. */
export function scale([low, high], [from, to]) {
  const span = high - low || 1;
  return value => from + ((value - low) / span) * (to - from);
}

/** Round numbers inside a range, about `count` of them. */
export function ticks(low, high, count = 4) {
  const rough = (high - low) / count;
  if (!(rough > 0)) return [low];
  const power = 10 ** Math.floor(Math.log10(rough));
  const step = [1, 2, 5, 10].map(f => f * power).find(s => s >= rough) ?? rough;
  const found = [];
  for (let at = Math.ceil(low / step) * step; at <= high + step * 1e-6; at += step) found.push(Number(at.toFixed(6)));
  return found;
}

/** Runs of known values, as the path of a line that has gaps where nothing is known. */
export function path(along, values, x, y) {
  let d = '';
  let open = false;
  values.forEach((value, i) => {
    if (value === null) open = false;
    else {
      d += `${open ? 'L' : 'M'}${x(along[i]).toFixed(1)} ${y(value).toFixed(1)}`;
      open = true;
    }
  });
  return d;
}

function frame(height, label, children, width = WIDTH) {
  return h('svg', { class: 'plot', viewBox: `0 0 ${width} ${height}`, style: `max-width: ${Math.round(width * 1.25)}px`, role: 'img', 'aria-label': label }, children);
}

const word = (x, y, anchor, said, kind = 'tick') => h('text', { class: kind, x: x.toFixed(1), y: y.toFixed(1), 'text-anchor': anchor }, said);
const rule = (x1, y1, x2, y2, kind) => h('line', { class: kind, x1: x1.toFixed(1), y1: y1.toFixed(1), x2: x2.toFixed(1), y2: y2.toFixed(1) });

/**
 * Curves over the way along the limb or the joint; the second one is dashed.
 * @param {{name: string, unit: string, along: number[], values: (number|null)[]}[]} curves
 * @param {string} alongName
 * @param {string} alongUnit of the way, which may be another than that of the values
 * @param {number} [width] a narrow plot is not a wide one made small: its letters keep their size
 */
export function curvePlot(curves, alongName, alongUnit, width = WIDTH) {
  const known = curves.flatMap(curve => curve.values.filter(value => value !== null));
  if (!known.length) return null;
  const height = width < 240 ? 104 : 132;
  const along = curves.flatMap(curve => curve.along);
  const [low, high] = [Math.min(...along), Math.max(...along)];
  const x = scale([low, high], [34, width - 8]);
  const top = Math.max(...known) * 1.08;
  const floor = Math.min(0, ...known);
  const y = scale([floor, top], [height - 28, 16]);
  const unit = unitText(curves[0].unit);
  const label = curves.map(curve => text.curve(curve.name, curve.values.filter(value => value !== null), unitText(curve.unit))).join(' ');
  return h('figure', { key: `curve ${alongName}` },
    frame(height, label, [
      ticks(floor, top, 3).map(at => [rule(34, y(at), width - 8, y(at), 'grid'), word(30, y(at) + 4, 'end', String(at))]),
      ticks(low, high, width < 240 ? 3 : 5).map(at => word(x(at), height - 14, 'middle', String(at))),
      low < 0 && high > 0 && rule(x(0), 12, x(0), height - 28, 'zero'),
      curves.map((curve, i) => h('path', { key: curve.name, class: `curve c${i}`, d: path(curve.along, curve.values, x, y) })),
      word(width - 8, height - 2, 'end', [alongName, alongUnit].filter(Boolean).join(', ')), word(2, 10, 'start', unit)], width),
    curves.length > 1 && h('figcaption', null, curves.map((curve, i) => h('span', { key: curve.name }, h('i', { class: `key c${i}`, 'aria-hidden': 'true' }), curve.name))));
}

/**
 * Values side by side with their 95 % uncertainty, widest scale for all of one unit.
 * @param {{id: string, name: string, value: number, plus_minus: number|null, unit: string, bound: string, now?: boolean}[]} rows
 * @param {(row: any) => string} say
 */
export function barPlot(rows, say) {
  const top = Math.max(...rows.map(row => row.value + (row.plus_minus ?? 0)), 1e-6);
  const step = 30;
  const x = scale([0, top], [4, WIDTH - 86]);
  return frame(rows.length * step + 2, rows.map(row => `${row.name}: ${say(row)}.`).join(' '), [
    rows.map((row, i) => {
      const y = i * step;
      const { plus_minus: pm } = row;
      return h('g', { key: row.id }, word(4, y + 11, 'start', row.name, row.now ? 'name now' : 'name'),
        h('rect', { class: row.now ? 'bar now' : 'bar', x: '4', y: String(y + 15), width: Math.max(1, x(row.value) - 4).toFixed(1), height: '9' }),
        pm !== null && [rule(x(Math.max(0, row.value - pm)), y + 19.5, x(row.value + pm), y + 19.5, 'whisker'), rule(x(row.value + pm), y + 16, x(row.value + pm), y + 23, 'whisker')],
        word(WIDTH - 4, y + 24, 'end', say(row), 'value'));
    })]);
}

/**
 * A measured value over the published means ± 2 SD.
 * @param {{value: number, plus_minus: number|null, unit: string}} number
 * @param {{mean: number|null, sd: number|null, population: string, source: string, grade: string}[]} refs
 */
export function publishedPlot(number, refs) {
  const known = /** @type {{mean: number, sd: number, source: string, grade: string}[]} */ (refs.filter(ref => ref.mean !== null && ref.sd));
  if (!known.length) return null;
  const pm = number.plus_minus ?? 0;
  const ends = [number.value - pm, number.value + pm, ...known.flatMap(ref => [ref.mean - 2 * ref.sd, ref.mean + 2 * ref.sd])];
  const low = Math.min(...ends);
  const high = Math.max(...ends);
  const pad = (high - low) * 0.05;
  const x = scale([low - pad, high + pad], [6, WIDTH - 6]);
  const step = 15;
  const height = known.length * step + 30;
  const label = text.publishedPlot(known.length);
  return frame(height, label, [
    h('rect', { class: 'mine-range', x: x(number.value - pm).toFixed(1), y: '0', width: Math.max(1, x(number.value + pm) - x(number.value - pm)).toFixed(1), height: String(height - 16) }),
    rule(x(number.value), 0, x(number.value), height - 16, 'mine'),
    known.map((ref, i) => {
      const y = i * step + 8;
      return h('g', { key: `${ref.source} ${i}`, class: ref.grade === 'V' ? 'ref' : 'ref weak' },
        rule(x(ref.mean - 2 * ref.sd), y, x(ref.mean + 2 * ref.sd), y, 'span'),
        h('circle', { class: 'mean', cx: x(ref.mean).toFixed(1), cy: String(y), r: '3.2' }));
    }),
    ticks(low, high, 5).map(at => word(x(at), height - 3, 'middle', String(at)))]);
}

/**
 * The same measurement over time, each with its 95 % uncertainty; the last one is today's.
 * @param {{date: string, value: number, error: number | null}[]} points dates as 2026-11-04
 * @param {string} unit
 */
export function timePlot(points, unit) {
  const sorted = [...points].sort((a, b) => a.date.localeCompare(b.date));
  const height = 108;
  const days = sorted.map(point => Date.parse(point.date) / 864e5);
  const x = scale([days[0], days[days.length - 1]], [46, WIDTH - 46]);
  const ends = sorted.flatMap(({ value, error }) => [value - (error ?? 0), value + (error ?? 0)]);
  const [low, high] = [Math.min(...ends), Math.max(...ends)];
  // A change is judged against the uncertainty: the axis spans both, and zero only when it is near.
  const floor = low > 0 && low < (high - low) * 2 ? 0 : low;
  const y = scale([floor, high], [height - 26, 18]);
  const said = sorted.map(({ date, value, error }) => `${date}: ${value.toFixed(2)}${error === null ? '' : ` ± ${error.toFixed(2)}`} ${unit}`).join('; ');
  return frame(height, text.overTime(said), [
    ticks(floor, high, 3).map(at => [rule(34, y(at), WIDTH - 6, y(at), 'grid'), word(30, y(at) + 4, 'end', String(at))]),
    h('path', { class: 'curve c0', d: path(days, sorted.map(point => point.value), x, y) }),
    sorted.map(({ date, value, error }, i) => h('g', { key: date + i },
      error !== null && [rule(x(days[i]), y(value - error), x(days[i]), y(value + error), 'whisker'), ...[value - error, value + error].map(at => rule(x(days[i]) - 4, y(at), x(days[i]) + 4, y(at), 'whisker'))],
      h('circle', { class: i === sorted.length - 1 ? 'dot now' : 'dot', cx: x(days[i]).toFixed(1), cy: y(value).toFixed(1), r: '4' }),
      word(x(days[i]) + 7, y(value) - 6, 'start', value.toFixed(unit === '°' ? 1 : 2), 'value'),
      word(x(days[i]), height - 6, 'middle', date)))]);
}
