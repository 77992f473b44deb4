// @ts-check
/**
 * What today's measurements are compared with: asked of the node once for each state of each
 * measurement, many at once. Reading never waits for it.
 */

/** @typedef {{when: string, value: number, error: number | null}} TimePoint */

const MOST_AT_ONCE = 60;

export class Changes {
  /**
   * @param {(measurements: any[]) => Promise<{changes: any[]}>} ask
   * @param {() => void} onChange
   * @param {(fn: () => void) => void} [soon]
   */
  constructor(ask, onChange, soon = fn => queueMicrotask(fn)) {
    this.ask = ask;
    this.onChange = onChange;
    this.soon = soon;
    /** @type {Map<string, any>} by what was asked */
    this.known = new Map();
    /** @type {Map<string, any>} the newest answer by measurement, shown until the next one is there */
    this.latest = new Map();
    /** @type {Map<string, any>} */
    this.wanted = new Map();
  }

  /** The answer on a measurement as it is now; null while it is not known. */
  of(measurement) {
    const key = keyOf(measurement);
    if (this.known.has(key)) return this.known.get(key);
    if (!this.wanted.has(key)) {
      this.wanted.set(key, measurement);
      if (this.wanted.size === 1) this.soon(() => this.flush());
    }
    return this.latest.get(measurement.id) ?? null;
  }

  async flush() {
    const asked = [...this.wanted].slice(0, MOST_AT_ONCE);
    if (!asked.length) return;
    const { known } = this;
    let answers;
    try {
      answers = (await this.ask(asked.map(([, measurement]) => measurement))).changes;
    } catch (error) {
      answers = asked.map(([, { id }]) => ({ id, against: [], series: [], error: error.message }));
    }
    for (const [i, [key, { id }]] of asked.entries()) {
      this.wanted.delete(key);
      known.set(key, answers[i]);
      this.latest.set(id, answers[i]);
    }
    if (this.wanted.size) this.soon(() => this.flush());
    this.onChange();
  }

  /** Earlier studies have come in, or the other limb was measured: everything is asked anew. */
  forget() {
    this.known = new Map();
  }
}

function keyOf({ id, item, view, kind, points, value, unit, computed }) {
  return JSON.stringify([id, item, view, kind, points, value, unit, computed && [computed.kind, computed.name, computed.control_view, computed.before, computed.numbers.map(n => n.value)]]);
}

/** Whether there can be anything to compare with: then only is the node asked. */
export function comparable(session) {
  const sides = new Set(session.template.items.map(item => item.side));
  return session.priors.studies.length > 0 || (sides.has('R') && sides.has('L'));
}

/** What of the statements on change is in the report: they stand in the measurement's note. */
export function isTold(note, words) {
  return words !== '' && note.includes(words);
}

/** The note with a statement added to it or taken out of it. */
export function withStatement(note, words) {
  if (isTold(note, words)) return note.replace(words, '').replace(/\s+/g, ' ').trim();
  return [note.trim(), words].filter(Boolean).join(' ').slice(0, 400);
}
