// @ts-check
/** Pairs of images one above the other in the host viewer, linked in zoom and pan. */

import { addFacts } from './facts.js';
import { PairLink } from './pair_link.js';

/** @typedef {import('./host.js').Beside} Beside */

const COLUMNS = 3;
const PATIENCE_MS = 15000;

export class BesideLayout {
  /** @param {import('./ohif.js').OhifHost} host */
  constructor(host) {
    this.host = host;
    /** The layout before, to go back to. @type {{rows: number, columns: number, sets: (string | undefined)[]} | null} */
    this.before = null;
    /** Image of the upper row -> its partner. @type {Map<string, string>} */
    this.partners = new Map();
    this.link = new PairLink(host);
  }

  get active() {
    return this.before !== null;
  }

  /** @param {Beside} plan */
  async open(plan) {
    addFacts(plan.images);
    if (plan.study && !(await this.#fetched(plan))) return false;
    const shown = plan.pairs.filter(pair => pair.every(uid => this.host.displaySetOf(uid))).slice(0, COLUMNS);
    if (!shown.length) return false;
    this.before ??= this.#now();
    this.partners = new Map(plan.pairs);
    const sets = [0, 1].flatMap(row => shown.map(pair => this.host.displaySetOf(pair[row]).displaySetInstanceUID));
    this.#lay(2, shown.length, sets, true);
    return true;
  }

  close() {
    const { before } = this;
    this.before = null;
    this.partners.clear();
    if (before) this.#lay(before.rows, before.columns, before.sets, false);
  }

  /** The viewer leaves the study: nothing is to be put back. */
  forget() {
    this.link.unlink();
    this.before = null;
    this.partners.clear();
  }

  /** Ask for the images of the other study, and wait until the viewer has made something of them. */
  async #fetched({ study, images, pairs }) {
    const wanted = pairs.map(pair => pair[1]);
    const there = () => wanted.some(uid => this.host.displaySetOf(uid));
    if (there()) return true;
    const series = [...new Set(images.map(image => image.series_uid))];
    await this.host.retrieve(study, series);
    const end = Date.now() + PATIENCE_MS;
    while (!there() && Date.now() < end) await new Promise(go => setTimeout(go, 100));
    return there();
  }

  #now() {
    const { viewportGridService } = this.host.services;
    const { layout, viewports } = viewportGridService.getState();
    return {
      rows: layout.numRows,
      columns: layout.numCols,
      sets: [...viewports.values()].map(cell => cell.displaySetInstanceUIDs?.[0]),
    };
  }

  #lay(rows, columns, sets, linked) {
    const { viewportGridService } = this.host.services;
    const kind = linked ? 'beside' : 'alone';
    const cell = (/** @type {number} */ i) => ({
      displaySetInstanceUIDs: sets[i] ? [sets[i]] : [],
      displaySetOptions: [{}],
      viewportOptions: {
        viewportId: `sesamoid-${kind}-${i}`, viewportType: 'stack', toolGroupId: 'default', allowUnmatchedView: true,
      },
    });
    // Each column is a pair of its own.
    const pairs = linked ? Array.from({ length: columns }, (_, i) => /** @type {[string, string]} */ ([cell(i), cell(i + columns)].map(one => one.viewportOptions.viewportId))) : [];
    this.link.link(pairs);
    viewportGridService.setLayout({
      numRows: rows,
      numCols: columns,
      layoutType: 'grid',
      activeViewportId: `sesamoid-${kind}-0`,
      findOrCreateViewport: i => cell(i),
      isHangingProtocolLayout: false,
    });
  }
}
