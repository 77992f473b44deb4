// @ts-check
/**
 * The landmarks of each region, from proximal to distal: structures that are found at a glance and
 * whose middle is easily clicked. Two at one level also say how wide the limb is and which side is
 * medial; on a view from the side they lie over each other, and one (`side`) takes their place.
 */

const EPICONDYLES = { front: ['medial_epicondyle', 'lateral_epicondyle'], side: ['anconeal_process'] };
const one = (/** @type {string} */ id) => ({ front: [id] });

/**
 * Regions whose levels lie on one bone, or on bones that go on straight: as far apart on any view.
 * Where a joint is bent, or the digit of a horse slopes, they are not (up to 53 mm off on computed
 * limbs, `tests/benchmarks/landmark_proposals.py`).
 */
export const STRAIGHT = new Set(['humerus', 'antebrachium', 'carpus', 'manus', 'femur', 'crus', 'tarsus', 'metacarpus']);

/** @type {Record<string, {front: string[], side?: string[]}[]>} */
export const LEVELS = {
  shoulder: [one('supraglenoid'), one('humeral_head')],
  humerus: [one('humeral_head'), { ...EPICONDYLES, side: ['trochlea'] }],
  elbow: [EPICONDYLES, one('radial_head')],
  antebrachium: [one('radial_head'), one('antebrachiocarpal')],
  carpus: [one('antebrachiocarpal'), one('carpometacarpal')],
  manus: [{ front: ['mcp_2', 'mcp_5'], side: ['mcp_3'] }, one('dip_3')],
  hip: [one('iliac_crest'), one('femoral_head')],
  femur: [one('femoral_head'), { front: ['condyle_medial', 'condyle_lateral'], side: ['femoral_trochlea'] }],
  stifle: [one('patella'), { front: ['femorotibial_medial', 'femorotibial_lateral'], side: ['eminences'] }],
  crus: [one('stifle_joint'), one('tarsocrural')],
  tarsus: [one('tarsocrural'), one('tarsometatarsal')],
  pes: [{ front: ['mtp_2', 'mtp_5'], side: ['mtp_3'] }, one('dip_3')],
  elbow_humerus: [one('deltoid_tuberosity'), one('elbow_joint')],
  metacarpus: [one('carpometacarpal'), one('mcp_3')],
  fetlock: [{ front: ['sesamoid_medial', 'sesamoid_lateral'], side: ['sesamoid_lateral'] }, one('mcp_3')],
  pastern_foot: [one('pip_3'), one('p3_solar_margin')],
  hip_femur: [one('coxofemoral'), one('supracondylar_fossa')],
  metatarsus_hindfoot: [one('tarsometatarsal'), one('mtp_3'), one('p3_solar_margin')],
};
