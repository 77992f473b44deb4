// @ts-check
/** Nothing is being written. `of` is the phrase that is changed; null: a new one. */
export const quietPhrasing = () => ({ open: false, of: /** @type {any} */ (null), name: '', where: 'any', text: '', said: '', bad: false, removed: /** @type {any} */ (null) });
