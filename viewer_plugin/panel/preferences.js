// @ts-check
/**
 * What the reader chose for their account: language, colours, keys, dictation, phrases. The node
 * keeps it; this browser has a copy, so that a page is right before the node has answered, and
 * what could not be sent goes with the next page.
 */

/** @typedef {{name: string, text: string, where: 'any' | 'findings' | 'impression' | 'recommendations'}} Phrase */
/** @typedef {{language: string, theme: string, keys: Record<string, string>, dictation: string, phrases: Phrase[]}} Preferences */

export const CHANGED = 'sesamoid:preferences';

const KEPT = 'sesamoid.preferences';
const YEAR_SECONDS = 31536000;

/** @returns {Preferences} */
export const asDelivered = () => ({ language: '', theme: 'dark', keys: {}, dictation: '', phrases: [] });

/** @typedef {{user: string, chosen: Preferences, unsent: Partial<Preferences>}} Kept */

/** @type {Kept | null} */
let known = null;
/** @typedef {(change: Partial<Preferences>) => Promise<Preferences>} Send */

/** @type {Send | null} */
let send = null;

/** How changes reach the node. @param {Send | null} way */
export function connect(way) {
  send = way;
}

/** @returns {Preferences} */
export function preferences() {
  return kept().chosen;
}

/** @returns {Kept} */
function kept() {
  known ??= stored();
  return known;
}

/**
 * The node's word on who is signed in and what they chose. What they changed here and could not
 * send goes first; another reader's choices are not theirs.
 * @param {string} user
 * @param {Preferences | undefined} chosen
 */
export function takeOver(user, chosen) {
  if (!chosen) return;
  const unsent = kept().user === user ? kept().unsent : {};
  keep({ user, chosen: { ...asDelivered(), ...chosen, ...unsent }, unsent });
  if (Object.keys(unsent).length && send) deliver();
}

/**
 * Choose anew: counts here at once.
 * @param {Partial<Preferences>} change
 * @returns {Promise<boolean>} whether the node has it, too
 */
export async function prefer(change) {
  const { user, chosen, unsent } = kept();
  keep({ user, chosen: { ...chosen, ...change }, unsent: { ...unsent, ...change } });
  noteLanguage(change.language);
  return deliver();
}

async function deliver() {
  const { unsent } = kept();
  if (!send) return false;
  try {
    const chosen = await send(unsent);
    // What was chosen while this was on its way is still to be sent.
    const left = Object.fromEntries(Object.entries(kept().unsent).filter(([name, value]) => value !== unsent[/** @type {keyof Preferences} */ (name)]));
    keep({ user: kept().user, chosen: { ...chosen, ...left }, unsent: left });
    return true;
  } catch (error) {
    const refused = [400, 422].includes(/** @type {any} */ (error).status);
    if (refused) keep({ ...kept(), unsent: {} }); // It would be refused for ever.
    return false;
  }
}

/** The node and the next page read it from there. @param {string | undefined} language */
function noteLanguage(language) {
  if (language && typeof document !== 'undefined') document.cookie = `sesamoid_language=${language}; path=/; max-age=${YEAR_SECONDS}; samesite=strict`;
}

function keep(/** @type {Kept} */ now) {
  known = now;
  try {
    localStorage.setItem(KEPT, JSON.stringify(now));
  } catch {
    // Storage is switched off: the node keeps it all the same.
  }
  if (typeof window !== 'undefined') window.dispatchEvent(new Event(CHANGED));
}

/** @returns {Kept} */
function stored() {
  const empty = { user: '', chosen: asDelivered(), unsent: {} };
  try {
    const { user, chosen, unsent } = JSON.parse(localStorage.getItem(KEPT) ?? '{}');
    return { user: String(user ?? ''), chosen: { ...empty.chosen, ...chosen }, unsent: unsent ?? {} };
  } catch {
    return empty;
  }
}

/** Chosen in another tab: read anew when next asked for. */
if (typeof window !== 'undefined') window.addEventListener('storage', () => { known = null; });
