// @ts-check
/**
 * How the images of a limb are hung: frontal view left, lateral view right, proximal at the top.
 * Pure functions over what the node says of the images; ohif.js applies them.
 */

/** @typedef {{uid: string, view: string, side: string, rotation: number, flip_horizontal: boolean, hung: boolean}} Facts */

const FRONTAL = /^(DPa|PaD|DPl|PlD|CrCd|CdCr|VD|DV|AP|PA)$/i;
const LATERAL = /^(ML|LM|LAT|LL|RL)$/i;
const SIDES = ['R', 'L', 'B', 'U'];

/** 0 frontal, 1 lateral, 2 the same under stress or flexed, 3 oblique and other. */
export function viewRank(/** @type {string} */ view) {
  const words = view.trim().split(/\s+/);
  const last = words.at(-1) ?? '';
  if (words.length > 1) return FRONTAL.test(last) || LATERAL.test(last) ? 2 : 3;
  return FRONTAL.test(last) ? 0 : LATERAL.test(last) ? 1 : 3;
}

/**
 * Order of hanging.
 * @template {{uid: string, position?: string, laterality?: string, series?: number, instance?: number, set?: string}} T
 * @param {T[]} images as the viewer knows them
 * @param {Map<string, Facts>} facts what the node found out; the header's own words otherwise
 * @returns {T[]}
 */
export function inOrder(images, facts) {
  const key = image => {
    const known = facts.get(image.uid);
    const side = SIDES.indexOf(known?.side ?? image.laterality ?? 'U');
    return [side < 0 ? 3 : side, viewRank(known?.view || image.position || ''), image.series ?? 0, image.instance ?? 0];
  };
  return [...images].sort((a, b) => {
    const [ka, kb] = [key(a), key(b)];
    for (let i = 0; i < ka.length; i += 1) if (ka[i] !== kb[i]) return ka[i] - kb[i];
    return 0;
  });
}

/** Images of limbs stand upright: from this width by height on, three beside each other are larger than in two rows. */
const BROAD = 1.25;

/**
 * Rows and columns for so many images; more than four are brought in from the panel.
 * @param {number} count
 * @param {number} [aspect] width by height of the place that they have
 */
export function grid(count, aspect = 1) {
  if (count <= 1) return { rows: 1, columns: 1 };
  if (count === 3 && aspect >= BROAD) return { rows: 1, columns: 3 };
  return count === 2 ? { rows: 1, columns: 2 } : { rows: 2, columns: 2 };
}

/**
 * A hanging protocol of the host viewer that shows exactly these display sets.
 * @param {string[]} displaySets
 * @param {number} [aspect] width by height of the place that they have
 */
export function protocol(displaySets, aspect = 1) {
  const { rows, columns } = grid(displaySets.length, aspect);
  const cells = Array.from({ length: rows * columns }, (_, i) => displaySets[i]);
  const selectors = Object.fromEntries(
    displaySets.slice(0, cells.length).map((uid, i) => [
      `image${i}`,
      {
        seriesMatchingRules: [
          { attribute: 'displaySetInstanceUID', constraint: { equals: { value: uid } }, required: true },
        ],
      },
    ])
  );
  const viewports = cells.map((uid, i) => ({
    viewportOptions: { viewportId: `sesamoid-${i}`, viewportType: 'stack', toolGroupId: 'default', allowUnmatchedView: true },
    displaySets: uid ? [{ id: `image${i}` }] : [],
  }));
  return {
    id: 'sesamoid-limb',
    name: 'Limb',
    locked: true,
    isPreset: false,
    numberOfPriorsReferenced: 0,
    protocolMatchingRules: [],
    displaySetSelectors: selectors,
    toolGroupIds: ['default'],
    stages: [
      { name: 'limb', viewportStructure: { layoutType: 'grid', properties: { rows, columns } }, viewports },
    ],
  };
}
