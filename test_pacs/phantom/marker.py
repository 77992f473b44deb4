"""The lead side marker: a letter L or R with bars for initials and time, drawn as strokes."""

from itertools import pairwise

import numpy as np

from test_pacs.phantom.solids import Array

Stroke = tuple[tuple[float, float], ...]

# unit square: x to the right, y down; a stroke is an open line through these points
_BOWL: Stroke = tuple(
    (0.42 + 0.36 * float(np.sin(a)), 0.26 - 0.26 * float(np.cos(a)))
    for a in np.linspace(0, np.pi, 13)
)
LETTERS: dict[str, tuple[Stroke, ...]] = {
    "L": (((0.12, 0.0), (0.12, 1.0), (0.78, 1.0)),),
    "R": (
        ((0.12, 1.0), (0.12, 0.0), (0.42, 0.0)),
        _BOWL,
        ((0.42, 0.52), (0.12, 0.52)),
        ((0.40, 0.52), (0.80, 1.0)),
    ),
}
_BARS: tuple[Stroke, ...] = (
    ((0.0, 1.30), (0.22, 1.30)),
    ((0.34, 1.30), (0.56, 1.30)),
    ((0.68, 1.30), (0.90, 1.30)),
)


def _distance(points: Array, stroke: Stroke) -> Array:
    nearest = np.full(points.shape[:-1], np.inf)
    for start, end in pairwise(stroke):
        a, b = np.array(start), np.array(end)
        along = np.clip((points - a) @ (b - a) / max(float((b - a) @ (b - a)), 1e-12), 0, 1)
        nearest = np.minimum(
            nearest, np.linalg.norm(points - a - along[..., None] * (b - a), axis=-1)
        )
    return nearest


def lead_thickness(
    shape: tuple[int, int],
    letter: str,
    corner: tuple[float, float],
    height: float,
    pixel: float,
    thickness: float = 1.0,
) -> Array:
    """Millimetres of lead over each pixel.

    `letter` is "L" or "R"; `corner` is its upper left corner in pixels (column, row), `height`
    its height in mm. Edges are smoothed over one pixel.
    """
    image = np.zeros(shape)
    size = height / pixel
    rows = np.arange(max(0, int(corner[1] - size)), min(shape[0], int(corner[1] + 2 * size)))
    columns = np.arange(max(0, int(corner[0] - size)), min(shape[1], int(corner[0] + 2 * size)))
    x, y = np.meshgrid((columns - corner[0]) / size, (rows - corner[1]) / size)
    points = np.stack([x, y], axis=-1)
    for strokes, half_width in ((LETTERS[letter], 0.085), (_BARS, 0.05)):
        for stroke in strokes:
            inside = np.clip((half_width - _distance(points, stroke)) * size + 0.5, 0, 1)
            window = image[rows[0] : rows[-1] + 1, columns[0] : columns[-1] + 1]
            np.maximum(window, inside * thickness, out=window)
    return image
