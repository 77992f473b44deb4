// @ts-check
/** An animal's earlier studies: asked for until the search has ended. Reading never waits for it. */

/** How soon the node is asked again, by the state of its search. */
const AGAIN_MS = { looking: 3000, failed: 30000 };

export class Priors {
  /**
   * @param {() => Promise<import('./types.js').PriorsAnswer>} ask
   * @param {() => void} onChange
   * @param {{set: (fn: () => void, ms: number) => any, clear: (id: any) => void}} [timers]
   */
  constructor(ask, onChange, timers = { set: (fn, ms) => setTimeout(fn, ms), clear: id => clearTimeout(id) }) {
    this.ask = ask;
    this.onChange = onChange;
    this.timers = timers;
    /** @type {import('./types.js').PriorsAnswer | null} */
    this.answer = null;
    this.error = '';
    this.timer = null;
  }

  async load() {
    this.timers.clear(this.timer);
    try {
      this.answer = await this.ask();
      this.error = '';
    } catch (error) {
      this.error = error.message;
    }
    const again = this.error ? AGAIN_MS.failed : AGAIN_MS[this.answer?.search.state ?? ''];
    if (again) this.timer = this.timers.set(() => this.load(), again);
    this.onChange();
  }

  get studies() {
    return this.answer?.studies ?? [];
  }

  /** What was said of an item before, newest first. */
  observations(/** @type {string} */ item) {
    return this.answer?.observations[item] ?? [];
  }

  /** What was measured of an item before by this program, newest first. */
  measurements(/** @type {string} */ item) {
    return (this.answer?.measurements[item] ?? []).filter(m => m.item === item);
  }

  /** "2026-05-01" of the report that a finding was copied from; "" when it is not known here. */
  dateOf(/** @type {string} */ report) {
    return this.studies.find(study => study.report?.sop_instance_uid === report)?.study_date ?? '';
  }
}

/**
 * Which images go one below the other: the same view of the same side, today above.
 * @param {{uid: string, view: string, side: string}[]} today
 * @param {{uid: string, view: string, side: string}[]} other
 * @param {boolean} [otherSide] the other limb: the same view, whatever the side
 * @returns {[string, string][]}
 */
export function pairs(today, other, otherSide = false) {
  const free = [...other];
  /** @type {[string, string][]} */
  const found = [];
  for (const view of today) {
    const at = free.findIndex(one => sameView(one.view, view.view) && (otherSide || one.side === view.side || one.side === 'U'));
    if (at >= 0) found.push([view.uid, free.splice(at, 1)[0].uid]);
  }
  return found;
}

/** Lateral views are the same picture from either side. */
export function sameView(a, b) {
  const plain = view => ({ LM: 'ML', PaD: 'DPa', PlD: 'DPl', CdCr: 'CrCd' })[view] ?? view;
  return a !== '' && plain(a) === plain(b);
}
