// @ts-check
/**
 * The words for a finding, in fields: which are offered, which are shown, and what choosing one
 * does to the others.
 */

/** @typedef {import('./types.js').Descriptor} Descriptor */
/**
 * @typedef {{name: string, exclusive: boolean, depth: number, choices: Descriptor[],
 *   chosen: Descriptor[]}} Field
 */

/** Fields that come first until this browser knows what its reader uses. */
const FIRST = [
  'fracture', 'outline', 'periosteal reaction', 'pattern of lysis', 'joint space', 'state of the physis',
  'extent of the swelling', 'axis',
];

/**
 * The descriptors that can be said of an item of this species.
 * @param {Descriptor[]} all of the item's section
 * @param {{kind: string, region: string}} item
 * @param {string} species
 */
export function offered(all, item, species) {
  const fits = (list, value) => !list?.length || list.includes(value);
  return all.filter(d => fits(d.kinds, item.kind) && fits(d.regions, item.region) && fits(d.species, species));
}

/** Whether a descriptor is shown: its parent is chosen, it has none, or it is chosen itself. */
function shown(descriptor, chosen) {
  return !descriptor.under?.length || chosen.includes(descriptor.id) || descriptor.under.some(id => chosen.includes(id));
}

/**
 * The fields in the order in which they are shown: those made for this kind of structure first,
 * then the most used; what hangs on a choice follows the field of that choice.
 * @param {Descriptor[]} choices offered
 * @param {string[]} chosen ids
 * @param {Record<string, number>} [used] how often each descriptor was chosen
 * @returns {Field[]}
 */
export function fields(choices, chosen, used = {}) {
  const names = [...new Set(choices.filter(d => shown(d, chosen)).map(d => d.field))];
  const all = names.map(name => {
    const own = choices.filter(d => d.field === name);
    const seen = own.filter(d => shown(d, chosen));
    return {
      name, depth: 0, choices: seen, exclusive: seen.every(d => d.exclusive), chosen: seen.filter(d => chosen.includes(d.id)),
      parent: parentField(choices, seen, chosen), rank: rank(name, own, used),
    };
  });
  const place = (parent, depth) => all
    .filter(field => field.parent === parent)
    .sort((a, b) => (depth ? 0 : compare(a.rank, b.rank)))
    .flatMap(({ parent: _, rank: __, ...field }) => [{ ...field, depth }, ...place(field.name, depth + 1)]);
  return place('', 0);
}

function rank(name, own, used) {
  const uses = own.reduce((sum, d) => sum + (used[d.id] ?? 0), 0);
  const first = FIRST.indexOf(name);
  return [own.some(d => d.kinds?.length) ? 0 : 1, -uses, first < 0 ? FIRST.length : first];
}

function compare(a, b) {
  const at = a.findIndex((one, i) => one !== b[i]);
  return at < 0 ? 0 : a[at] - b[at];
}

/** The field whose choice brought this one up; "" when it stands by itself. */
function parentField(choices, seen, chosen) {
  if (!seen.every(d => d.under?.length)) return '';
  const parents = seen.flatMap(d => d.under).filter(id => chosen.includes(id));
  const field = choices.find(d => parents.includes(d.id))?.field ?? '';
  return field === seen[0].field ? '' : field;
}

/**
 * The chosen ids after a press on one of them: it comes or goes, a rival of the same exclusive
 * field goes, and what hung on something that went goes with it.
 * @param {Descriptor[]} choices offered
 * @param {string[]} chosen
 * @param {string} id
 * @returns {string[]}
 */
export function toggled(choices, chosen, id) {
  if (chosen.includes(id)) return withoutOrphans(choices, chosen, chosen.filter(one => one !== id));
  const word = choices.find(d => d.id === id);
  const rivals = choices.filter(d => word?.exclusive && d.exclusive && d.field === word.field).map(d => d.id);
  return withoutOrphans(choices, chosen, [...chosen.filter(one => !rivals.includes(one)), id]);
}

function withoutOrphans(choices, before, after) {
  const orphan = id => {
    const under = choices.find(d => d.id === id)?.under ?? [];
    return under.some(parent => before.includes(parent)) && !under.some(parent => after.includes(parent));
  };
  const kept = after.filter(id => !orphan(id));
  return kept.length === after.length ? kept : withoutOrphans(choices, before, kept);
}

/**
 * The descriptors that a search finds, best first: beginning of the label, of a word of it,
 * anywhere in it, in the name of the field.
 * @param {Descriptor[]} choices offered
 * @param {string} words
 */
export function matches(choices, words) {
  const wanted = words.trim().toLowerCase();
  if (!wanted) return [];
  const quality = d => {
    const label = d.label.toLowerCase();
    if (label.startsWith(wanted)) return 0;
    if (label.split(/[\s-]+/).some((_, i, parts) => parts.slice(i).join(' ').startsWith(wanted))) return 1;
    if (label.includes(wanted)) return 2;
    return wanted.split(/\s+/).every(word => `${label} ${d.field}`.toLowerCase().includes(word)) ? 3 : 9;
  };
  return choices
    .map(d => ({ d, q: quality(d) }))
    .filter(one => one.q < 9)
    .sort((a, b) => a.q - b.q)
    .map(one => one.d);
}
