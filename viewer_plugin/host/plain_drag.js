// @ts-check

/**
 * Follow the pointer until it is let go.
 * @param {HTMLElement} element
 * @param {PointerEvent} event the press
 * @param {(event: PointerEvent) => void} move
 * @param {() => void} [done]
 */
export function drag(element, event, move, done = () => {}) {
  element.setPointerCapture(event.pointerId);
  const stop = new AbortController();
  const end = () => {
    stop.abort();
    done();
  };
  element.addEventListener('pointermove', move, { signal: stop.signal });
  element.addEventListener('pointerup', end, { signal: stop.signal });
  element.addEventListener('pointercancel', end, { signal: stop.signal });
}
