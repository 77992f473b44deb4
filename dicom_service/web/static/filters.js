// @ts-check
/** What the reading list shows of all: stages, filters, and how they are kept. Pure. */

/** @typedef {{text: string, stage: string, species: string, order: string, site: string | null, urgent: boolean, missing: boolean, mine: boolean, offset: number}} Filter */

export const STAGES = ['', 'to_read', 'in_progress', 'to_deliver', 'delivered', 'arriving', 'trouble', 'withdrawn'];

/** Where work waits. Only there is the longest waiting first; all else is newest first. */
const WORK = ['to_read', 'in_progress'];

/** The order of the rows, and whether another can be chosen. @param {Filter} filter */
export function orderOf(filter) {
  const free = WORK.includes(filter.stage);
  return { order: free ? filter.order : 'newest', free };
}

/** @returns {Filter} */
export function everything() {
  return { text: '', stage: '', species: '', order: 'queue', site: null, urgent: false, missing: false, mine: false, offset: 0 };
}

const FLAGS = /** @type {const} */ (['urgent', 'missing', 'mine']);

/** As it stands in an address; only what differs from everything. @param {Filter} filter */
export function toQuery(filter) {
  const query = new URLSearchParams();
  for (const name of /** @type {const} */ (['text', 'stage', 'species'])) if (filter[name]) query.set(name, filter[name]);
  if (filter.order !== 'queue') query.set('order', filter.order);
  if (filter.site !== null) query.set('site', filter.site); // '' is the site without a name
  for (const name of FLAGS) if (filter[name]) query.set(name, '1');
  if (filter.offset) query.set('offset', String(filter.offset));
  return query;
}

/** @param {URLSearchParams} query  @returns {Filter} */
export function fromQuery(query) {
  const found = everything();
  found.text = query.get('text') ?? '';
  const stage = query.get('stage') ?? '';
  if (STAGES.includes(stage)) found.stage = stage;
  found.species = query.get('species') ?? '';
  if (query.get('order') === 'newest') found.order = 'newest';
  found.site = query.get('site');
  for (const name of FLAGS) found[name] = query.get(name) === '1';
  found.offset = Math.max(0, Number.parseInt(query.get('offset') ?? '0', 10) || 0);
  return found;
}

/** What is kept for the next visit: never what was searched for, which names patients. @param {Filter} filter */
export function toKeep(filter) {
  const { stage, species, order, site, urgent, missing, mine } = filter;
  return JSON.stringify({ stage, species, order, site, urgent, missing, mine });
}

/** @param {string | null} kept  @returns {Filter} */
export function fromKept(kept) {
  try {
    const found = JSON.parse(kept ?? '{}') ?? {};
    const query = new URLSearchParams();
    for (const name of ['stage', 'species', 'order', 'site']) if (typeof found[name] === 'string') query.set(name, found[name]);
    for (const name of FLAGS) if (found[name] === true) query.set(name, '1');
    return fromQuery(query);
  } catch {
    return everything();
  }
}

/** Whether anything but the stage is chosen. @param {Filter} filter */
export function narrowed(filter) {
  return Boolean(filter.text || filter.species || filter.site !== null || filter.urgent || filter.missing || filter.mine);
}
