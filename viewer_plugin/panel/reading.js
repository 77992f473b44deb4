// @ts-check
/**
 * Changes to a reading, as pure functions: the old reading goes in, the new one comes out.
 * The shape is that of the node's data model (review: Reading, Finding, Measurement, RuleOut).
 */

/** @typedef {import('./types.js').Reading} Reading */
/** @typedef {import('./types.js').Template} Template */
/** @typedef {import('./types.js').Item} Item */

let counter = 0;

/**
 * An identifier that is new in this reading; letters, digits and '-' only.
 * @param {string} prefix
 */
export function freshId(prefix) {
  counter += 1;
  const random = Math.random().toString(36).slice(2, 8);
  return `${prefix}-${Date.now().toString(36)}-${counter}${random}`;
}

/**
 * @param {Reading} reading
 * @param {string} item
 * @param {string} view
 */
export function observation(reading, item, view) {
  return reading.observations[item]?.[view];
}

/**
 * @param {Reading} reading
 * @param {string} item
 * @param {string} view
 * @param {import('./types.js').Observation | null} value null: not looked at
 * @returns {Reading}
 */
export function setObservation(reading, item, view, value) {
  const views = { ...reading.observations[item] };
  if (value) views[view] = value;
  else delete views[view];
  const observations = { ...reading.observations, [item]: views };
  if (Object.keys(views).length === 0) delete observations[item];
  const stays = value?.value === 'abnormal';
  const gone = stays ? [] : reading.findings.filter(f => f.item === item && f.view === view);
  const next = { ...reading, observations, ...outlinesLeft(reading, item, view, value) };
  return gone.length ? dropFindings(next, gone) : next;
}

/** An outline marks what is called a normal variant; with another word it goes. */
function outlinesLeft(reading, item, view, value) {
  const goes = one => one.item === item && one.view === view;
  if (value?.value === 'variant' || !reading.outlines?.some(goes)) return {};
  return { outlines: reading.outlines.filter(one => !goes(one)) };
}

/** The views of an item that are asked for, in the order of the template. */
export function askedViews(/** @type {Template} */ template, /** @type {Item} */ item) {
  return template.views.filter(view => (item.visibility[view.uid] ?? 'no') !== 'no');
}

/**
 * The finding of an item in a view, and the reading that holds it; made when there is none.
 * @param {Template} template
 * @param {Reading} reading
 * @param {Item} item
 * @param {string} viewUid
 */
export function withFinding(template, reading, item, viewUid) {
  const known = reading.findings.find(f => f.item === item.id && f.view === viewUid);
  if (known) return { reading, finding: known };
  const finding = {
    id: freshId('f'),
    item: item.id,
    view: viewUid,
    descriptors: [],
    severity: /** @type {''} */ (''),
    note: '',
    cross_check: openingCrossCheck(template, item, viewUid),
  };
  return { reading: { ...reading, findings: [...reading.findings, finding] }, finding };
}

/**
 * Views at a right angle to `viewUid` that include the item: they must confirm its findings.
 * @param {Template} template
 * @param {Item | undefined} item
 * @param {string} viewUid
 */
export function crossViews(template, item, viewUid) {
  const view = template.views.find(v => v.uid === viewUid);
  const uids = (view?.orthogonal ?? []).filter(uid => item && uid in item.visibility);
  return uids.flatMap(uid => template.views.filter(v => v.uid === uid));
}

/**
 * A study without an orthogonal view says so by itself; all else is for the reader to answer.
 * @param {Template} template
 * @param {Item} item
 * @param {string} viewUid
 * @returns {Record<string, import('./types.js').CrossCheck>}
 */
export function openingCrossCheck(template, item, viewUid) {
  return crossViews(template, item, viewUid).length ? {} : { '': 'no_such_view' };
}

/** Orthogonal views whose answer to this finding is still open. */
export function openCrossChecks(/** @type {Template} */ template, /** @type {import('./types.js').Finding} */ finding) {
  const item = template.items.find(one => one.id === finding.item);
  return crossViews(template, item, finding.view)
    .map(view => view.uid)
    .filter(uid => !finding.cross_check[uid]);
}

/**
 * Answer what an orthogonal view says of a finding. "Confirmed" and "not assessable" are also the
 * observation of the structure in that view, so that nobody has to say it twice.
 * @param {Reading} reading
 * @param {Item} item
 * @param {import('./types.js').Finding} finding
 * @param {string} viewUid
 * @param {import('./types.js').CrossCheck | null} value null: the answer is taken back
 * @returns {Reading}
 */
export function answerCrossCheck(reading, item, finding, viewUid, value) {
  const cross_check = { ...finding.cross_check };
  if (value) cross_check[viewUid] = value;
  else delete cross_check[viewUid];
  const next = changeFinding(reading, finding.id, { cross_check });
  const now = observation(reading, item.id, viewUid)?.value;
  if ((item.visibility[viewUid] ?? 'no') === 'no') return next;
  if (value === 'confirmed' && (!now || now === 'normal')) {
    return setObservation(next, item.id, viewUid, { value: 'abnormal', note: '' });
  }
  if (value === 'not_assessable' && !now) {
    return setObservation(next, item.id, viewUid, { value: 'not_assessable', note: '' });
  }
  return next;
}

/**
 * @param {Reading} reading
 * @param {string} id
 * @param {Partial<import('./types.js').Finding>} change
 * @returns {Reading}
 */
export function changeFinding(reading, id, change) {
  return { ...reading, findings: reading.findings.map(f => (f.id === id ? { ...f, ...change } : f)) };
}

/** @returns {Reading} */
function dropFindings(/** @type {Reading} */ reading, gone) {
  const ids = new Set(gone.map(f => f.id));
  return {
    ...reading,
    findings: reading.findings.filter(f => !ids.has(f.id)),
    measurements: reading.measurements.map(m => (ids.has(m.finding) ? { ...m, finding: '' } : m)),
    rule_outs: reading.rule_outs.map(r => ({ ...r, evidence: r.evidence.filter(e => !ids.has(e)) })),
  };
}

/**
 * Add a measurement or give a known one new points.
 * @param {Reading} reading
 * @param {import('./types.js').Measurement} measurement
 * @returns {Reading}
 */
export function putMeasurement(reading, measurement) {
  const known = reading.measurements.some(m => m.id === measurement.id);
  const measurements = known
    ? reading.measurements.map(m => (m.id === measurement.id ? { ...m, ...measurement } : m))
    : [...reading.measurements, measurement];
  return { ...reading, measurements };
}

/**
 * A length or angle drawn in the viewer, for the finding or the structure at hand.
 * @param {{reading: Reading, item: string, editing: string}} session
 * @param {{id: string, uid: string, kind: 'length'|'angle', points: [number, number][]}} drawn
 * @returns {Reading}
 */
export function withDrawn({ reading, item: here, editing }, { id, uid, kind, points }) {
  const known = reading.measurements.find(m => m.id === id);
  const ofItem = reading.findings.filter(f => f.item === here);
  const finding = reading.findings.find(f => f.id === editing) ?? ofItem.find(f => f.view === uid) ?? ofItem[0];
  const item = known?.item ?? finding?.item ?? here;
  if (!item) return reading;
  return putMeasurement(reading, {
    id, item, view: uid, kind, points,
    value: 0, unit: kind === 'angle' ? 'deg' : 'px', calibration: '',
    finding: known?.finding ?? finding?.id ?? '', note: known?.note ?? '',
  });
}

/** Measurements of the structure of a finding that belong to none: they may have been made before it. */
export function unattached(/** @type {Reading} */ reading, /** @type {import('./types.js').Finding} */ finding) {
  return reading.measurements.filter(m => m.item === finding.item && !m.finding);
}

/** @returns {Reading} */
export function attach(/** @type {Reading} */ reading, /** @type {string} */ id, /** @type {string} */ finding) {
  return { ...reading, measurements: reading.measurements.map(m => (m.id === id ? { ...m, finding } : m)) };
}

/** @returns {Reading} */
export function dropMeasurement(/** @type {Reading} */ reading, /** @type {string} */ id) {
  return { ...reading, measurements: reading.measurements.filter(m => m.id !== id) };
}

/**
 * Take the values that the node worked out, for measurements whose points are still the same.
 * @param {Reading} reading
 * @param {import('./types.js').Measurement[]} completed
 * @returns {Reading}
 */
export function takeValues(reading, completed) {
  const known = new Map(completed.map(m => [m.id, m]));
  let changed = false;
  const measurements = reading.measurements.map(mine => {
    const theirs = known.get(mine.id);
    if (!theirs || !samePoints(mine.points, theirs.points)) return mine;
    const computed = theirs.computed ?? null;
    const same = JSON.stringify(mine.computed ?? null) === JSON.stringify(computed);
    if (same && mine.value === theirs.value && mine.unit === theirs.unit && mine.calibration === theirs.calibration) return mine;
    changed = true;
    return { ...mine, value: theirs.value, unit: theirs.unit, calibration: theirs.calibration, computed };
  });
  return changed ? { ...reading, measurements } : reading;
}

/**
 * Whether two readings hold the same entries; values that the node works out are left aside.
 * @param {Reading} a
 * @param {Reading} b
 */
export function sameEntries(a, b) {
  const bare = reading => ({
    ...reading,
    measurements: reading.measurements.map(({ value, unit, calibration, computed, ...rest }) => ({ ...rest, computed: asked(computed) })),
  });
  return JSON.stringify(sorted(bare(a))) === JSON.stringify(sorted(bare(b)));
}

/** Of what is computed, that which the reader asked for. */
function asked(computed) {
  if (!computed) return null;
  const { kind, name, control_view, control_points, true_mm = 0, before = [] } = computed;
  return { kind, name, control_view, control_points, true_mm, before };
}

function sorted(value) {
  if (Array.isArray(value)) return value.map(sorted);
  if (value === null || typeof value !== 'object') return value;
  return Object.fromEntries(Object.keys(value).sort().map(key => [key, sorted(value[key])]).filter(([, one]) => !isEmpty(one)));
}

/** What is left out here is filled in by the node as one of these; a text that is null means something else than "". */
function isEmpty(value) {
  return value === undefined || value === false || value === '' || (value !== null && typeof value === 'object' && Object.keys(value).length === 0);
}

function samePoints(a, b) {
  return a.length === b.length && a.every((p, i) => p[0] === b[i][0] && p[1] === b[i][1]);
}

/**
 * @param {Reading} reading
 * @param {string} id
 * @param {Partial<import('./types.js').RuleOut>} change a verdict of "" takes the answer back
 * @returns {Reading}
 */
export function changeRuleOut(reading, id, change) {
  const known = reading.rule_outs.find(r => r.id === id);
  /** @type {import('./types.js').RuleOut} */
  const next = { id, verdict: 'cannot_assess', evidence: [], note: '', ...known, ...change };
  const others = reading.rule_outs.filter(r => r.id !== id);
  if (/** @type {string} */ (next.verdict) === '') return { ...reading, rule_outs: others };
  if (!known) return { ...reading, rule_outs: [...others, next] };
  return { ...reading, rule_outs: reading.rule_outs.map(r => (r.id === id ? next : r)) };
}

/** Move entry `index` of the differentials by `step` places. @returns {Reading} */
export function moveDifferential(/** @type {Reading} */ reading, /** @type {number} */ index, /** @type {number} */ step) {
  const list = [...reading.differentials];
  const to = index + step;
  if (to < 0 || to >= list.length) return reading;
  [list[index], list[to]] = [list[to], list[index]];
  return { ...reading, differentials: list };
}
