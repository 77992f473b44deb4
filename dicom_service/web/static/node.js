// @ts-check
/** Calls to the node; a failure is a Problem with a sentence for a person. */

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
  let answer;
  try {
    answer = await fetch(path, {
      credentials: 'same-origin',
      cache: 'no-cache',
      ...options,
      headers: { Accept: 'application/json', 'Content-Type': 'application/json', ...options.headers },
    });
  } catch {
    throw new Problem(0, 'The node does not answer.');
  }
  const content = answer.status === 204 ? {} : await answer.json().catch(() => ({}));
  if (!answer.ok) {
    const sentence = content.detail ?? `The node answered with error ${answer.status}.`;
    throw new Problem(answer.status, sentence);
  }
  return { content, tag: answer.headers.get('ETag') ?? '' };
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
