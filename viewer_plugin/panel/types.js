// @ts-check
/**
 * Types of what the node's API answers (see docs of the API); no code.
 *
 * @typedef {'normal'|'abnormal'|'variant'|'undetermined'|'not_assessable'} Value
 * @typedef {'confirmed'|'not_seen'|'not_assessable'|'no_such_view'} CrossCheck
 * @typedef {{value: Value, note: string, by_group?: boolean}} Observation
 * @typedef {{id: string, item: string, view: string, descriptors: string[],
 *   severity: ''|'mild'|'moderate'|'severe', note: string,
 *   aggressiveness?: ''|'non_aggressive'|'indeterminate'|'aggressive',
 *   cross_check: Record<string, CrossCheck>, copied_from?: string}} Finding
 * @typedef {{id: string, name: string, value: number, unit: string, plus_minus: number|null,
 *   bound: string}} ComputedNumber
 * @typedef {{kind: string, name: string, control_view: string, control_points: [number, number][],
 *   true_mm?: number, scale?: {kind: string, points: [number, number][], true_mm: number}|null,
 *   before?: {study_uid: string, view: string, points: [number, number][]}[],
 *   method: string, version: string, numbers: ComputedNumber[], word: string, why: string,
 *   doubts: string[], said?: import('./said.js').Sentence[], shapes: {kind: 'line'|'outline'|'points'|'circle', name: string,
 *   points: [number, number][], radius: number}[],
 *   curves: {name: string, unit: string, along: number[], values: (number|null)[]}[]}} Computed
 * @typedef {{id: string, item: string, view: string, kind: 'length'|'angle'|'computed',
 *   points: [number, number][], value: number, unit: 'mm'|'px'|'deg'|'1', calibration: string,
 *   finding: string, note: string, computed?: Computed|null}} Measurement
 * @typedef {{id: string, item: string, view: string, name: string, kind: 'ellipse'|'outline',
 *   points: [number, number][]}} Outline
 * @typedef {{id: string, verdict: 'supported'|'possible'|'no_evidence'|'excluded'|'cannot_assess',
 *   evidence: string[], note: string}} RuleOut
 * @typedef {{template_revision: number, observations: Record<string, Record<string, Observation>>,
 *   findings: Finding[], measurements: Measurement[], rule_outs: RuleOut[],
 *   differentials: string[], history: string, technique: string, impression: string,
 *   recommendations: string, findings_text: string|null, findings_generated?: string,
 *   shown?: string[], landmarks?: Record<string, Record<string, [number, number]>>,
 *   prior_landmarks?: Record<string, Record<string, [number, number]>>, outlines?: Outline[], open_accepted: string}} Reading
 *
 * @typedef {{uid: string, label: string, view: string, side: string, orthogonal: string[]}} View
 * @typedef {{value: string, scheme: string, meaning: string}} Code
 * @typedef {{id: string, structure: string, region: string, side: string, name: string,
 *   section: string, group: string, kind: string, code: Code, site: Code,
 *   visibility: Record<string, 'well'|'partly'|'no'>,
 *   variants: {id: string, text: string, source: string, grade: string}[],
 *   physis: {expected: string, text: string, source: string, grade: string}|null}} Item
 * @typedef {{id: string, name: string, code: Code, why: string, limits: string[],
 *   next_steps: string[]}} RuleOutCandidate
 * @typedef {{id: string, name: string, section: string, items: string[]}} Group
 * @typedef {{study_uid: string, revision: number, species: string, regions: string[],
 *   views: View[], items: Item[], groups: Group[], order: string[],
 *   rule_outs: RuleOutCandidate[], cautions: string[]}} Template
 *
 * @typedef {{kind: string, text: string, blocking: boolean, item: string, view: string,
 *   finding: string}} Gap
 * @typedef {{asked: number, answered: number, sections: Record<string, [number, number]>}} Coverage
 * @typedef {{kind: string, role: string, sop_instance_uid: string, series_uid: string,
 *   signed_by: string, signed_at: string|null, delivery: string, delivery_detail: string}} DocumentState
 * @typedef {{id: string, label: string, code: Code, field: string, exclusive: boolean,
 *   under: string[], kinds: string[], regions: string[], species: string[], note: string}} Descriptor
 *
 * @typedef {{says: string, weight: 'strong'|'supports'|'weak', refs: string[],
 *   by_findings: boolean, firm: boolean, certainty: string, source: string, grade: string}} Evidence
 * @typedef {{condition: string, name: string, verdict: RuleOut['verdict'], words: string,
 *   evidence_for: Evidence[], evidence_against: Evidence[], limits: string[], why: string,
 *   grade: string, raised: boolean, evidence: string[]}} Proposal
 * @typedef {{id: string, kind: string, name: string, conditions: string[], source: string,
 *   grade: string}} NextStep
 * @typedef {{text: string, generated: string,
 *   marks: {kind: 'added'|'removed'|'both', text: string, start: number, end: number}[]}} Merged
 * @typedef {{proposals: Proposal[], differentials: string[], next_steps: NextStep[],
 *   certainties: Record<string, {state: string, words: string, seen: string, ceiling: string}>,
 *   aggressiveness: Record<string, {word: string, why: string, source: string, grade: string}>,
 *   merged: Merged|null}} Advice
 * @typedef {{views: string[], regions: {id: string, name: string}[], sides: string[],
 *   species: {id: string, name: string}[]}} Choices
 * @typedef {{version: number, state: string, reader: string, reader_name: string, facts: any, template: Template,
 *   reading: Reading, coverage: Coverage, gaps: Gap[], documents: DocumentState[],
 *   descriptors: Record<string, Descriptor[]>, advice: Advice, choices: Choices,
 *   prevailing: {kind: string, number: number, of: number, sop_instance_uid: string,
 *     signed_by: string, signed_at: string, withdrawn: boolean}|null,
 *   newer_in_archive: {sop_instance_uid: string, series_uid: string, signed_at: string, signed_by: string}[],
 *   correcting: {reason: string, by: string, at: string}|null, late_objects: number}} Opening
 */

/**
 * Earlier studies.
 * @typedef {{report: string, view: string, sentence: string, descriptors: string[],
 *   severity: Finding['severity'], aggressiveness: Finding['aggressiveness'], note: string}} PriorFinding
 * @typedef {{study_uid: string, study_date: string, item: string, name: string, value: string,
 *   views: Record<string, string>, findings: PriorFinding[], note: string,
 *   outlines?: {image_uid: string, view: string, name: string, kind: 'ellipse'|'outline',
 *     points: [number, number][]}[]}} PriorObservation
 * @typedef {{study_uid: string, date: string, meaning: string, value: number, unit: string,
 *   item: string, site: string, calibration: string, maker: string}} PriorMeasurement
 * @typedef {{uid: string, series_uid: string, view: string, side: string, rotation: number,
 *   flip_horizontal: boolean, hung: boolean, rows: number, columns: number,
 *   spacing: {kind: string, row_mm: number, column_mm: number},
 *   landmarks: Record<string, [number, number]>}} PriorImage
 * @typedef {{search: {state: 'off'|'looking'|'found'|'failed', words: string, found: number,
 *     detail: string, next_at: string|null},
 *   studies: {study_uid: string, study_date: string, description: string, state: string,
 *     detail: string, regions: string[], sides: string[], views: string[], images: PriorImage[],
 *     report: any, foreign: any[], withdrawn: number, unreadable: string[]}[],
 *   more: number, observations: Record<string, PriorObservation[]>,
 *   measurements: Record<string, PriorMeasurement[]>}} PriorsAnswer
 */

export {};
