// @ts-check
/** The limb as the node found it on an image: its axis and its two sides. Plain geometry. */

import { minus, size } from './points.js';

/** @typedef {[number, number]} Point */

/** Shares of the limb's length: how far beside its outline a point is not called off it, and beyond its ends. */
const BESIDE = 0.01;
const BEYOND = 0.05;
/** Two places of a side further apart than so many of its usual steps have something unknown between them. */
const APART = 2.5;

export class LimbOutline {
  /**
   * @param {Point[]} axis from one end of what is seen of the limb to the other
   * @param {Point[][]} sides points of its outline, none where it leaves the field
   */
  constructor(axis, sides) {
    this.axis = axis;
    this.steps = axis.slice(1).map((point, i) => size(minus(point, axis[i])));
    this.length = this.steps.reduce((sum, step) => sum + step, 0);
    this.sides = sides.map(side => side.map(point => this.where(point)).sort((a, b) => a.along - b.along));
  }

  /** @param {{drawn: {name: string, points: Point[]}[]}} found what the node answers */
  static of({ drawn }) {
    const points = name => drawn.find(one => one.name === name)?.points ?? [];
    return new LimbOutline(points('limb axis'), [points('first side'), points('second side')]);
  }

  /** How far along the axis a point lies and how far beside it, signed; beyond an end it goes on straight. */
  where(/** @type {Point} */ point) {
    let best = { along: 0, across: 0, away: Infinity };
    let before = 0;
    const last = this.steps.length - 1;
    for (const [i, step] of this.steps.entries()) {
      const way = this.#direction(i);
      const from = minus(point, this.axis[i]);
      const along = from[0] * way[0] + from[1] * way[1];
      const on = Math.min(Math.max(along, 0), step);
      const away = size([from[0] - on * way[0], from[1] - on * way[1]]);
      const beyond = (i === 0 && along < 0) || (i === last && along > step);
      if (away < best.away) best = { along: before + (beyond ? along : on), across: from[1] * way[0] - from[0] * way[1], away };
      before += step;
    }
    return { along: best.along, across: best.across };
  }

  /** The point so far along and beside the axis. @returns {Point} */
  at(/** @type {number} */ along, /** @type {number} */ across) {
    let left = along;
    let i = 0;
    while (i < this.steps.length - 1 && left > this.steps[i]) left -= this.steps[i++];
    const way = this.#direction(i);
    const from = this.axis[i];
    return [from[0] + left * way[0] - across * way[1], from[1] + left * way[1] + across * way[0]];
  }

  /** @returns {Point} */
  #direction(i) {
    const run = minus(this.axis[i + 1], this.axis[i]);
    return [run[0] / (this.steps[i] || 1), run[1] / (this.steps[i] || 1)];
  }

  /**
   * How far inside its outline a point lies, negative: so far off it; null: nothing can be said
   * there, as the limb leaves the field.
   * @param {Point} point
   * @returns {number | null}
   */
  depth(point) {
    const { along, across } = this.where(point);
    const beyond = Math.max(-along, along - this.length);
    if (beyond > 0) return beyond > BEYOND * this.length ? -beyond : null;
    const depths = this.sides.map((side, i) => {
      const edge = edgeAt(side, along);
      return edge === null ? null : (edge - across) * this.#outward(i);
    });
    const known = /** @type {number[]} */ (depths.filter(depth => depth !== null));
    const least = Math.min(...known);
    return known.length === this.sides.length || least < 0 ? least : null;
  }

  /** Which way of the axis a side lies. */
  #outward(i) {
    const mean = side => side.reduce((sum, one) => sum + one.across, 0) / (side.length || 1);
    return mean(this.sides[i]) < mean(this.sides[1 - i]) ? -1 : 1;
  }

  /** Whether a point lies off the limb. */
  off(/** @type {Point} */ point) {
    const depth = this.depth(point);
    return depth !== null && depth < -BESIDE * this.length;
  }
}

/** How far beside the axis a side lies at a place along it; null: it is not known there. */
function edgeAt(side, along) {
  const next = side.findIndex(one => one.along >= along);
  if (next <= 0) return null;
  const [a, b] = [side[next - 1], side[next]];
  const usual = (side[side.length - 1].along - side[0].along) / (side.length - 1);
  if (b.along - a.along > APART * usual) return null;
  return a.across + ((along - a.along) / (b.along - a.along || 1)) * (b.across - a.across);
}
