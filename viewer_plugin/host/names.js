// @ts-check
/** Names that the extension, the mode and the adapter share. */

export const EXTENSION_ID = 'sesamoid';
