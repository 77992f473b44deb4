// @ts-check
/**
 * Small schematic pictures on which the landmarks of each measurement are shown: our own outlines,
 * proximal at the top, lateral or cranial on the left; the hoof with its toe to the left.
 */

/** @typedef {[number, number]} Spot */
/** @typedef {{outlines: string[], spots: Record<string, Spot>, lines?: [string, string][]}} Picture */

const LONG = 'M40 18Q65 9 90 18Q92 34 76 48L75 98Q90 112 92 128Q65 139 38 128Q40 112 55 98L54 48Q38 34 40 18Z';
const AXIS = /** @type {Record<string, Spot>} */ ({ axis_proximal: [65, 50], axis_distal: [65, 96], proximal: [65, 50], distal: [65, 96] });
const [TOP_LEFT, TOP_RIGHT, LOW_LEFT, LOW_RIGHT] = /** @type {Spot[]} */ ([[41, 18], [89, 18], [40, 128], [90, 128]]);

/** @type {Record<string, Picture>} */
const PICTURES = {
  long: { outlines: [LONG], spots: AXIS },
  bowed: {
    outlines: ['M30 24Q56 6 84 18Q78 40 72 52Q76 78 88 96Q104 108 112 122Q96 146 66 142Q68 124 66 110Q50 84 48 54Q36 42 30 24Z'],
    spots: {
      proximal_axis_proximal: [57, 34], proximal_axis_distal: [59, 62], distal_axis_proximal: [67, 86], distal_axis_distal: [80, 112], caudal_side: [112, 64],
      proximal_joint_cranial: [31, 23], proximal_joint_caudal: [84, 17], distal_joint_cranial: [67, 140], distal_joint_caudal: [111, 124],
      proximal_joint_lateral: [31, 23], proximal_joint_medial: [84, 17], distal_joint_lateral: [67, 140], distal_joint_medial: [111, 124],
    },
  },
  humerus: {
    outlines: ['M42 34Q40 12 66 10Q94 12 90 36Q80 46 76 56L74 98Q90 110 90 126Q66 140 40 126Q42 110 56 98L54 56Q46 46 42 34Z', 'M48 126A18 14 0 0 1 82 126'],
    spots: { ...AXIS, humeral_head_centre: [70, 28], distal_articular_centre: [65, 122] },
  },
  femur: {
    outlines: ['M42 16Q54 12 58 28Q70 34 82 28A15 15 0 1 1 92 42Q80 44 76 54L76 98Q92 112 90 132Q78 144 66 130Q54 144 42 132Q42 112 54 98L50 54Q38 34 42 16Z'],
    spots: {
      ...AXIS, axis_proximal: [63, 56], femoral_head_centre: [94, 27], greater_trochanter_tip: [45, 14], neck_base_centre: [70, 36], intercondylar_centre: [66, 122],
      condyle_lateral: [49, 137], condyle_medial: [84, 137], condyle_cranial: [49, 137], condyle_caudal: [84, 137],
    },
  },
  tibia: {
    outlines: ['M34 26Q50 20 62 22L66 14L70 22Q88 24 98 34Q84 48 78 58L74 98Q84 108 84 120Q74 112 66 122Q58 112 48 120Q48 108 56 98L54 58Q40 44 34 26Z', 'M50 140Q50 126 58 122Q66 130 74 122Q82 126 82 140'],
    spots: {
      tibial_intercondylar_centre: [66, 12], talar_centre: [66, 136], plateau_lateral: [37, 27], plateau_medial: [95, 34], plateau_cranial: [37, 27], plateau_caudal: [95, 34],
      cochlea_lateral: [52, 113], cochlea_medial: [80, 113], joint_cranial: [49, 118], joint_caudal: [83, 118],
    },
  },
  limb: {
    outlines: ['M52 10Q60 4 66 12A9 9 0 1 1 76 22L70 30L72 50Q66 58 50 54Q50 46 56 40Z', 'M50 62Q62 58 74 64L68 78L70 98Q66 104 58 98L58 78Z', 'M56 108L74 106L78 144L60 146Z'],
    spots: {
      femoral_head_centre: [76, 13], intercondylar_centre: [61, 50], tibial_intercondylar_centre: [62, 66], talar_centre: [65, 100],
      metatarsus_proximal: [66, 116], metatarsus_distal: [69, 140], lateral_side: [24, 82],
    },
  },
  stifle: {
    outlines: ['M64 8L104 8Q110 30 104 46Q92 62 74 52Q62 34 64 8Z', 'M28 10Q44 8 46 24Q48 38 38 40Q28 28 28 10Z', 'M66 72Q88 66 104 76L96 142L72 142L70 106Q54 92 54 78Z'],
    spots: { patella_proximal: [31, 10], patella_distal: [33, 36], distal_patellar_pole: [49, 42], tibial_tuberosity: [55, 82] },
  },
  hips: {
    outlines: ['M10 36Q22 44 26 52A22 22 0 0 0 50 92', 'M120 36Q108 44 104 52A22 22 0 0 1 80 92', 'M52 76A16 16 0 1 1 20 76A16 16 0 1 1 52 76', 'M110 76A16 16 0 1 1 78 76A16 16 0 1 1 110 76'],
    spots: { this_femoral_head_centre: [36, 76], other_femoral_head_centre: [94, 76], craniolateral_rim: [24, 50] },
  },
  hip: {
    outlines: ['M76 22A44 44 0 1 0 84 108', 'M108 72A32 32 0 1 1 44 72A32 32 0 1 1 108 72', 'M96 96L118 140'],
    spots: { acetabular_centre: [56, 66], femoral_head_centre: [76, 72], femoral_head_rim: [108, 72] },
  },
  elbow: {
    outlines: ['M50 8L52 32A24 24 0 1 0 94 34L92 8', 'M40 74Q54 80 68 74L66 144L44 144Z', 'M76 76Q96 72 100 44L112 40L108 78L90 144L74 144Z'],
    spots: { osteophyte_base: [50, 56], osteophyte_tip: [36, 44], radial_head_level: [50, 76], ulnar_level: [82, 80], axis_proximal: [55, 96], axis_distal: [55, 130] },
  },
  carpus: {
    outlines: ['M42 8L66 8L72 56L44 60Z', 'M46 66L76 62L82 84L52 88Z', 'M56 94L82 90L104 138L84 146Z'],
    spots: { axis_proximal: [54, 16], axis_distal: [57, 48], metacarpal_proximal: [72, 102], metacarpal_distal: [91, 134], palmar_side: [112, 72], medial_side: [112, 72], dorsal_side: [22, 76] },
  },
  joint: {
    outlines: ['M34 8L56 6L74 62Q60 72 48 66Z', 'M48 78Q64 72 74 80L56 144L34 138Z'],
    spots: { proximal_axis_proximal: [46, 14], proximal_axis_distal: [58, 54], distal_axis_proximal: [60, 88], distal_axis_distal: [46, 132], flexor_side: [16, 74] },
  },
  hoof: {
    outlines: ['M20 134L60 44L106 58L114 134Z', 'M38 122Q48 88 66 64Q76 78 98 92L92 110Q64 112 38 122Z', 'M64 60L80 14L104 22L96 74Q80 76 64 60Z'],
    spots: {
      p3_tip: [38, 122], solar_palmar: [92, 110], extensor_process: [67, 66], p3_dorsal_proximal: [60, 76], p3_dorsal_distal: [45, 106], p3_dorsal_cortex: [52, 92], outer_wall: [38, 94],
      wall_proximal: [50, 67], wall_distal: [28, 116], ground_dorsal: [20, 136], ground_palmar: [112, 136], coronary_marker: [58, 46], pastern_proximal: [92, 20], pastern_distal: [80, 60],
    },
  },
  joint_space: {
    outlines: ['M34 8L32 48Q28 62 40 66Q65 76 92 66Q102 62 98 48L96 8', 'M34 144L32 104Q28 90 36 82Q65 92 96 82Q102 90 98 104L96 144'],
    spots: { one_end: [38, 75], other_end: [94, 75] }, lines: [['one_end', 'other_end']],
  },
  swelling_profile: {
    outlines: ['M30 6Q30 40 18 74Q28 110 34 146', 'M100 6Q100 40 112 74Q102 110 96 146', 'M50 6L46 68L84 68L80 6', 'M50 146L46 80L84 80L80 146'],
    spots: { joint: [65, 74] },
  },
  lucent_line: { outlines: [LONG, 'M54 84L76 64'], spots: { one_end: [52, 86], other_end: [78, 62] } },
  fat_plane: {
    outlines: ['M30 6L28 64L70 64L62 6', 'M30 146L28 84L70 84L62 146', 'M108 6Q116 74 108 146'],
    spots: { proximal: [76, 18], at_joint: [92, 74], distal: [76, 132] }, lines: [['proximal', 'at_joint'], ['at_joint', 'distal']],
  },
  shaft_axis: { outlines: [LONG], spots: AXIS, lines: [['proximal', 'distal']] },
  fracture_angulation: {
    outlines: ['M34 10Q50 4 66 10L66 62L58 68L50 60L42 68L36 62Z', 'M50 76L58 84L66 76L82 78L104 136Q90 148 74 144Z'],
    spots: { proximal_fragment_proximal: [51, 20], proximal_fragment_distal: [51, 54], distal_fragment_proximal: [68, 92], distal_fragment_distal: [86, 132] },
    lines: [['proximal_fragment_proximal', 'proximal_fragment_distal'], ['distal_fragment_proximal', 'distal_fragment_distal']],
  },
  implant: {
    outlines: ['M40 8L36 60Q32 104 36 112Q65 122 94 112Q98 104 94 60L90 8', 'M38 146L34 130Q65 138 96 130L92 146', 'M24 50L30 50L30 54L108 57L30 60L30 64L24 64Z'],
    spots: { one_end: [24, 57], other_end: [108, 57], joint_one_end: [38, 123], joint_other_end: [92, 123] }, lines: [['one_end', 'other_end'], ['joint_one_end', 'joint_other_end']],
  },
  ball: { outlines: ['M97 75A32 32 0 1 1 33 75A32 32 0 1 1 97 75'], spots: { middle: [65, 75] } },
  ruler: {
    outlines: ['M12 60H118V92H12Z', 'M30 60V80M41 60V70M53 60V70M64 60V74M76 60V70M87 60V70M99 60V80'],
    spots: { one_mark: [30, 92], other_mark: [99, 92] }, lines: [['one_mark', 'other_mark']],
  },
};

const joined = (/** @type {string} */ ends, /** @type {Spot} */ left, /** @type {Spot} */ right) => {
  const [first, second] = ends.split(' ');
  return { [`joint_${first}`]: left, [`joint_${second}`]: right };
};

/** Which picture each published measurement has, and landmarks whose place hangs on the measurement. */
/** @type {Record<string, [string, Record<string, Spot>?]>} */
const OF = {
  aMPRA: ['long', joined('lateral medial', TOP_LEFT, TOP_RIGHT)], aLDRA: ['long', joined('lateral medial', LOW_LEFT, LOW_RIGHT)],
  aCrPRA: ['long', joined('cranial caudal', TOP_LEFT, TOP_RIGHT)], aCdDRA: ['long', joined('cranial caudal', LOW_LEFT, LOW_RIGHT)],
  theta: ['bowed'], radial_procurvatum: ['bowed'], radial_FPA: ['bowed'], mDPA: ['bowed'],
  mLDHA: ['humerus', joined('lateral medial', LOW_LEFT, LOW_RIGHT)], mCaPHA: ['humerus', joined('cranial caudal', [42, 34], [90, 36])],
  mCrDHA: ['humerus', joined('cranial caudal', LOW_LEFT, LOW_RIGHT)],
  aLDFA: ['femur'], mLDFA: ['femur'], aLPFA: ['femur'], mLPFA: ['femur'], femoral_inclination: ['femur'], FVA: ['femur'], CDFA: ['femur'],
  mMPTA: ['tibia'], mMDTA: ['tibia'], mCdPTA: ['tibia'], mCrDTA: ['tibia'], TPA: ['tibia'], mTFA: ['limb'], mMTTA: ['limb'],
  PLL_PL: ['stifle'], DI: ['hip'], Norberg: ['hips'], ED_osteophyte: ['elbow'], RU_step: ['elbow'], carpal_extension: ['carpus'], ROM: ['joint'],
  founder_distance: ['hoof'], hoof_wall_P3: ['hoof'], palmar_angle: ['hoof'], P3_rotation: ['hoof'], sole_depth: ['hoof'], DIP_alignment: ['hoof'],
  eq_carpal_angles: ['carpus'], eq_medial_carpal_angle: ['carpus'],
};

/**
 * The picture of what is measured, with the places of its landmarks; null when there is none.
 * @param {{kind: string, name: string, landmarks: {id: string}[], lines?: [string, string][]}} offer
 * @returns {Required<Picture> | null}
 */
export function pictureOf({ kind, name, landmarks, lines = [] }) {
  const [id, own] = OF[name] ?? [kind];
  const picture = PICTURES[id];
  if (!picture) return null;
  const known = { ...picture.spots, ...own };
  const spots = Object.fromEntries(landmarks.filter(mark => known[mark.id]).map(mark => [mark.id, known[mark.id]]));
  if (landmarks.some(mark => !spots[mark.id])) return null;
  return { outlines: picture.outlines, spots, lines: lines.length ? lines : picture.lines ?? [] };
}
