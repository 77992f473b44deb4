// @ts-check
/**
 * The line round a normal variant: an ellipse by the ends of its two axes, as SCOORD has it, or a
 * closed line by its corners. Plain geometry in pixels of the image.
 */

/** @typedef {[number, number]} Point */
/** @typedef {{kind: 'ellipse'|'outline', points: Point[]}} Shape */

const ROUND = 40;
const MOST_CORNERS = 40;
const LEAST = 3;

const tenth = (/** @type {number} */ v) => Math.round(v * 10) / 10;
const point = (/** @type {number} */ x, /** @type {number} */ y) => /** @type {Point} */ ([tenth(x), tenth(y)]);

/** @returns {Shape} */
export function ellipse({ centre: [x, y], a, b, turn = 0 }) {
  const [cos, sin] = [Math.cos(turn), Math.sin(turn)];
  const end = (/** @type {number} */ u, /** @type {number} */ v) => point(x + u * cos - v * sin, y + u * sin + v * cos);
  return { kind: 'ellipse', points: [end(-a, 0), end(a, 0), end(0, -b), end(0, b)] };
}

/** Middle, half axes and turn of an ellipse. */
export function axesOf(/** @type {Shape} */ { points }) {
  const [p, q, r, s] = points;
  return {
    centre: middleOf({ kind: 'ellipse', points }),
    a: Math.hypot(q[0] - p[0], q[1] - p[1]) / 2,
    b: Math.hypot(s[0] - r[0], s[1] - r[1]) / 2,
    turn: Math.atan2(q[1] - p[1], q[0] - p[0]),
  };
}

/** @returns {Point} */
export function middleOf(/** @type {Shape} */ { points }) {
  const [xs, ys] = [points.map(p => p[0]), points.map(p => p[1])];
  return [(Math.min(...xs) + Math.max(...xs)) / 2, (Math.min(...ys) + Math.max(...ys)) / 2];
}

/** The closed line as it is drawn. @returns {Point[]} */
export function lineOf(/** @type {Shape} */ shape) {
  if (shape.kind === 'outline') return shape.points;
  const { centre: [x, y], a, b, turn } = axesOf(shape);
  const [cos, sin] = [Math.cos(turn), Math.sin(turn)];
  return Array.from({ length: ROUND }, (_, i) => {
    const at = (2 * Math.PI * i) / ROUND;
    const [u, v] = [a * Math.cos(at), b * Math.sin(at)];
    return [x + u * cos - v * sin, y + u * sin + v * cos];
  });
}

/** @returns {Shape} */
export function movedTo(/** @type {Shape} */ shape, /** @type {Point} */ [x, y]) {
  const [cx, cy] = middleOf(shape);
  return { ...shape, points: shape.points.map(p => point(p[0] + x - cx, p[1] + y - cy)) };
}

/** Larger or smaller: an ellipse along its own axes, a line in all directions. @returns {Shape} */
export function scaled(/** @type {Shape} */ shape, /** @type {number} */ along, /** @type {number} */ across) {
  if (shape.kind === 'ellipse') {
    const { a, b, ...rest } = axesOf(shape);
    return ellipse({ ...rest, a: Math.max(LEAST, a * along), b: Math.max(LEAST, b * across) });
  }
  const [x, y] = middleOf(shape);
  const by = along === 1 ? across : along;
  const wide = Math.max(...shape.points.map(p => Math.hypot(p[0] - x, p[1] - y)));
  if (by < 1 && wide * by < LEAST) return shape;
  return { ...shape, points: shape.points.map(p => point(x + (p[0] - x) * by, y + (p[1] - y) * by)) };
}

/** @returns {Shape} */
export function turned(/** @type {Shape} */ shape, /** @type {number} */ degrees) {
  const by = (degrees * Math.PI) / 180;
  if (shape.kind === 'ellipse') {
    const axes = axesOf(shape);
    return ellipse({ ...axes, turn: axes.turn + by });
  }
  const [x, y] = middleOf(shape);
  const [cos, sin] = [Math.cos(by), Math.sin(by)];
  return { ...shape, points: shape.points.map(([u, v]) => point(x + (u - x) * cos - (v - y) * sin, y + (u - x) * sin + (v - y) * cos)) };
}

/** One end of an axis is somewhere else; the middle stays. @returns {Shape} */
export function pulled(/** @type {Shape} */ shape, /** @type {'a'|'b'} */ axis, /** @type {Point} */ to) {
  const { centre, a, b, turn } = axesOf(shape);
  const [dx, dy] = [to[0] - centre[0], to[1] - centre[1]];
  const far = Math.max(LEAST, Math.hypot(dx, dy));
  const way = Math.atan2(dy, dx);
  return axis === 'a' ? ellipse({ centre, a: far, b, turn: way }) : ellipse({ centre, a, b: far, turn: way - Math.PI / 2 });
}

/** All of it lies on the image: shifted, and made smaller where that is not enough. @returns {Shape} */
export function within(/** @type {Shape} */ shape, { columns, rows }) {
  if (!columns || !rows) return shape;
  const [wide, high] = [0, 1].map(i => Math.max(...shape.points.map(p => p[i])) - Math.min(...shape.points.map(p => p[i])));
  const fit = Math.min(1, columns / wide, rows / high);
  const small = fit < 1 ? scaled(shape, fit * 0.99, fit * 0.99) : shape;
  const shift = [columns, rows].map((end, i) => {
    const along = small.points.map(p => p[i]);
    return Math.max(0, -Math.min(...along)) - Math.max(0, Math.max(...along) - end);
  });
  return { ...small, points: small.points.map(p => point(p[0] + shift[0], p[1] + shift[1])) };
}

/**
 * What was drawn freely, as a closed line of few corners; null: it was no more than a click.
 * @param {Point[]} path
 * @returns {Shape | null}
 */
export function traced(path) {
  const steps = path.slice(1).map((p, i) => Math.hypot(p[0] - path[i][0], p[1] - path[i][1]));
  const length = steps.reduce((sum, step) => sum + step, 0);
  if (path.length < 4 || length < 4 * LEAST) return null;
  const corners = Math.min(MOST_CORNERS, path.length);
  /** @type {Point[]} */
  const points = [];
  let [walked, next] = [0, 0];
  steps.forEach((step, i) => {
    while (points.length < corners && next <= walked + step) {
      const share = step ? (next - walked) / step : 0;
      points.push(point(path[i][0] + share * (path[i + 1][0] - path[i][0]), path[i][1] + share * (path[i + 1][1] - path[i][1])));
      next += length / corners;
    }
    walked += step;
  });
  return points.length < 3 ? null : { kind: 'outline', points };
}
