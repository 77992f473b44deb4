// @ts-check
/** Where a viewport of the host viewer looks: upright hanging, a place, the whole image. */

/** @param {any} viewport */
function sizes(viewport) {
  const data = viewport.getImageData();
  const [columns, rows] = data.dimensions;
  const [column, row] = data.spacing;
  const { rotation = 0 } = viewport.getViewPresentation();
  const across = [columns * column, rows * row];
  const turned = rotation % 180 !== 0;
  const { clientWidth, clientHeight } = viewport.canvas;
  return {
    columns,
    rows,
    spacing: column,
    width: turned ? across[1] : across[0],
    height: turned ? across[0] : across[1],
    aspect: clientWidth / Math.max(clientHeight, 1),
  };
}

/**
 * Look at a place. The camera is moved without touching rotation and flip, which the viewer's own
 * reset would lose.
 * @param {any} cornerstone
 * @param {any} viewport
 * @param {{x: number, y: number}} place column and row
 * @param {number} scale half of the visible height in world units
 */
function lookAt(cornerstone, viewport, place, scale) {
  const world = cornerstone.utilities.imageToWorldCoords(viewport.getCurrentImageId(), [place.x, place.y]);
  const camera = viewport.getCamera();
  const position = camera.position.map((x, i) => x + world[i] - camera.focalPoint[i]);
  viewport.setCamera({ focalPoint: world, position, parallelScale: scale });
  viewport.render();
}

/** Centre on a place; fov is the smaller visible side in pixels of the image. */
export function zoomTo(cornerstone, viewport, { x, y, fov }) {
  const { spacing, aspect } = sizes(viewport);
  const side = fov * spacing;
  lookAt(cornerstone, viewport, { x, y }, (aspect >= 1 ? side : side / aspect) / 2);
}

/** The whole image, as it was hung. */
export function whole(cornerstone, viewport) {
  const { columns, rows, width, height, aspect } = sizes(viewport);
  lookAt(cornerstone, viewport, { x: columns / 2, y: rows / 2 }, Math.max(height, width / aspect) / 2);
}

/** Turn an image upright: flip in image axes first, then rotate clockwise. */
export function hang(cornerstone, viewport, { rotation, flip_horizontal }) {
  viewport.resetCamera();
  viewport.setViewPresentation({ ...viewport.getViewPresentation(), rotation, flipHorizontal: flip_horizontal });
  whole(cornerstone, viewport);
}
