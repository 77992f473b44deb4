// @ts-check
/** Calls to the node; a failure is a Problem with a sentence for a person. */

import { say } from './say.js';

export class Problem extends Error {
  /** @param {number} status 0 when the node did not answer  @param {string} sentence */
  constructor(status, sentence) {
    super(sentence);
    this.status = status;
  }
}

/**
 * @param {string} path
 * @param {RequestInit & {body?: string}} [options]
 * @returns {Promise<{content: any, tag: string}>} the JSON, and the answer's ETag
 */
export async function call(path, options = {}) {
  const answer = await asked(path, {
    ...options,
    headers: { Accept: 'application/json', 'Content-Type': 'application/json', ...options.headers },
  });
  const content = answer.status === 204 ? {} : await answer.json().catch(() => ({}));
  return { content, tag: answer.headers.get('ETag') ?? '' };
}

/** A file that the node makes. @param {string} path  @returns {Promise<Blob>} */
export async function file(path) {
  return (await asked(path, {})).blob();
}

/** @param {string} path  @param {RequestInit} options */
async function asked(path, options) {
  let answer;
  try {
    answer = await fetch(path, { credentials: 'same-origin', cache: 'no-cache', ...options });
  } catch {
    throw new Problem(0, say('page.no_answer'));
  }
  if (answer.ok) return answer;
  const content = await answer.json().catch(() => ({}));
  throw new Problem(answer.status, content.detail ?? say('page.answered_with', { status: answer.status }));
}

/**
 * Where to go after signing in: only to a page of this node.
 * @param {string | null} next  @param {string} origin
 */
export function localPath(next, origin) {
  if (!next?.startsWith('/')) return '/';
  try {
    const url = new URL(next, origin);
    return url.origin === origin ? url.pathname + url.search + url.hash : '/';
  } catch {
    return '/';
  }
}
