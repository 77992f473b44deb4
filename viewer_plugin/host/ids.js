// @ts-check

/** A name that no other drawing has; on pages without TLS, too, where the browser makes no UUID. */
export function newId() {
  return `drawn-${crypto.getRandomValues(new Uint32Array(4)).join('-')}`;
}
