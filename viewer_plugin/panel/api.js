// @ts-check
/** Talks to the node. Every failure is an ApiError that says what a person should be told. */

import { strings } from './strings.js';

/** A node that has not answered by then counts as away; signing checks documents first. */
const PATIENCE_MS = { sign: 120000, other: 20000 };

export class ApiError extends Error {
  /**
   * @param {number} status HTTP status; 0 when the node did not answer
   * @param {string} detail
   * @param {any} [problem]
   */
  constructor(status, detail, problem = {}) {
    super(detail);
    this.status = status;
    this.problem = problem;
  }

  /** Whether trying again later can help by itself. */
  get passing() {
    return this.status === 0 || this.status === 429 || this.status >= 502 || this.status === 507;
  }
}

export class Api {
  /**
   * @param {string} [root]
   * @param {typeof fetch} [fetcher]
   */
  constructor(root = '/api', fetcher = (...args) => fetch(...args)) {
    this.root = root;
    this.fetcher = fetcher;
    /** @type {{user: string, display: string, csrf: string, confirms?: string, preferences?: import('./preferences.js').Preferences} | null} */
    this.session = null;
    /** How whoever is signed in shows again who they are, and their name; known even while the session is not. */
    this.confirms = 'password';
    this.reader = { user: '', display: '' };
  }

  /** Who is signed in; asked once, and again after a refusal. */
  async whoami() {
    this.session ??= await this.call('GET', '/session');
    this.confirms = this.session?.confirms ?? this.confirms;
    this.reader = this.session ?? this.reader;
    return this.session;
  }

  /** @returns {Promise<import('./types.js').Opening>} */
  open(/** @type {string} */ study) {
    return this.call('GET', `/studies/${study}/reading`);
  }

  /** @returns {Promise<{version: number, reading: any, coverage: any, gaps: any, saved_at: string}>} */
  save(/** @type {string} */ study, /** @type {number} */ version, reading) {
    const body = JSON.stringify(reading);
    // The request outlives the page when it is left; such a one may carry 64 KiB at most.
    const keepalive = new Blob([body]).size < 60000;
    return this.change('PUT', `/studies/${study}/reading`, body, { 'If-Match': `"${version}"` }, keepalive);
  }

  /** @returns {Promise<import('./types.js').PriorsAnswer>} */
  priors(/** @type {string} */ study) {
    return this.call('GET', `/studies/${study}/priors`);
  }

  /** A signed document in DICOM JSON. */
  async header(/** @type {string} */ study, /** @type {{series_uid: string, sop_instance_uid: string}} */ document) {
    // Beside the panel's own addresses, not below them.
    const path = `/../dicomweb/studies/${study}/series/${document.series_uid}/instances/${document.sop_instance_uid}/metadata`;
    const [header] = await this.call('GET', path, { headers: { Accept: 'application/dicom+json' } });
    return header;
  }

  preview(/** @type {string} */ study) {
    return this.call('GET', `/studies/${study}/preview`);
  }

  sign(/** @type {string} */ study, /** @type {number} */ version, /** @type {string} */ password) {
    return this.change('POST', `/studies/${study}/sign`, JSON.stringify({ version, password }));
  }

  addendum(/** @type {string} */ study, /** @type {string} */ text, /** @type {string} */ password) {
    return this.change('POST', `/studies/${study}/addendum`, JSON.stringify({ text, password }));
  }

  /** @returns {Promise<import('./types.js').Opening>} the signed report, opened again */
  reopen(/** @type {string} */ study, /** @type {string} */ reason) {
    return this.change('POST', `/studies/${study}/correction-of-report`, JSON.stringify({ reason }));
  }

  /** @returns {Promise<import('./types.js').Opening>} the report as it was signed */
  giveUp(/** @type {string} */ study) {
    return this.change('DELETE', `/studies/${study}/correction-of-report`, undefined);
  }

  withdraw(/** @type {string} */ study, /** @type {{reason: string, text: string, password: string}} */ withdrawal) {
    return this.change('POST', `/studies/${study}/withdrawal`, JSON.stringify(withdrawal));
  }

  /** @returns {Promise<import('./types.js').Opening>} the study with its new template */
  correct(/** @type {string} */ study, /** @type {{image_uid: string, view?: string, side?: string, regions?: string[]}} */ correction) {
    return this.change('POST', `/studies/${study}/correction`, JSON.stringify(correction));
  }

  /** What can be computed on the images of the study. */
  measurable(/** @type {string} */ study) {
    return this.call('GET', `/studies/${study}/measurable`);
  }

  /** Compute on one image; nothing is kept. @returns {Promise<any>} */
  measure(/** @type {string} */ study, /** @type {any} */ request) {
    return this.change('POST', `/studies/${study}/measure`, JSON.stringify(request));
  }

  /** Measurements beside the same ones before and on the other limb. @returns {Promise<{changes: any[]}>} */
  changes(/** @type {string} */ study, /** @type {any[]} */ measurements) {
    return this.change('POST', `/studies/${study}/changes`, JSON.stringify({ measurements }));
  }

  /** @returns {Promise<import('./types.js').Opening>} the study with its new template */
  correctSpecies(/** @type {string} */ study, /** @type {string} */ species) {
    return this.change('POST', `/studies/${study}/species`, JSON.stringify({ species }));
  }

  async change(method, path, body, headers = {}, keepalive = false) {
    const fresh = this.session === null;
    try {
      return await this.#send(method, path, body, headers, keepalive);
    } catch (error) {
      // After signing in anew in another tab the token known here is an old one. Any other refusal
      // stands: a wrong password tried twice would count twice.
      if (error.problem?.reason !== 'token' || fresh) throw error;
      return this.#send(method, path, body, headers, keepalive);
    }
  }

  async #send(method, path, body, headers, keepalive) {
    // Who is known waits for nobody: the request is made at once.
    const session = this.session ?? (await this.whoami());
    const all = { 'Content-Type': 'application/json', 'X-Sesamoid-Token': session?.csrf ?? '', ...headers };
    return this.call(method, path, { body, headers: all, keepalive });
  }

  /** @returns {Promise<any>} */
  async call(method, path, options = {}) {
    let answer;
    try {
      answer = await this.fetcher(this.root + path, {
        method,
        credentials: 'same-origin',
        signal: AbortSignal.timeout(method === 'POST' ? PATIENCE_MS.sign : PATIENCE_MS.other),
        ...options,
        headers: { Accept: 'application/json', ...options.headers },
      });
    } catch {
      throw new ApiError(0, strings.noAnswer);
    }
    const type = answer.headers.get('Content-Type') ?? '';
    const content = type.includes('json') ? await answer.json().catch(() => ({})) : {};
    if (answer.ok) return content;
    // The token belongs to the session that ended: ask for the new one next time.
    if (answer.status === 401 || answer.status === 403) this.session = null;
    throw new ApiError(answer.status, sentence(content, answer.status), content);
  }
}

function sentence(problem, status) {
  const parts = [problem.detail ?? problem.title ?? strings.answeredWith(status), problem.advice];
  return parts.filter(Boolean).join(' ');
}
