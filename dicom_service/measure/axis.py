"""The axis of a shaft from its two cortices, found from two clicks near its ends."""

from dataclasses import dataclass

import numpy as np

from dicom_service.measure._scipy import ndimage
from dicom_service.measure.model import Drawn, Measured, NotMeasurable, Number, Point
from dicom_service.measure.raster import Array, Picture, cheapest, peak_shift
from dicom_service.measure.said import say

METHOD, VERSION = "sesamoid.shaft_axis", "2"
ROWS = 80
DEFINITION_ERROR = 0.3
"""95 % in degrees: which stretch of a shaft is taken moves the axis more than its contours do."""
EDGE = 0.2
"""mm by which a logarithmic image moves the steepest fall into a round shaft, on each side."""
WIDTH_ERROR = 0.4


@dataclass(frozen=True)
class Axis:
    """A straight axis in working mm: middle, unit direction, and how well the bone fits it."""

    middle: Array
    direction: Array
    width: float
    bow: float
    """Degrees between the axes of the first and the second half."""
    edges: tuple[Array, Array]


def find_axis(pic: Picture, first: Point, second: Point) -> Axis:
    """Middle line between the cortices of the bone on which both clicks lie.

    Raises
    ------
    NotMeasurable
        Clicks too close, or no pair of cortices that keeps its distance along the line.
    """
    ends = pic.mm([first, second])
    length = float(np.hypot(*(ends[1] - ends[0])))
    if length < 15:
        raise NotMeasurable(say("shaft.points"))
    middle, direction = ends.mean(axis=0), (ends[1] - ends[0]) / length
    along = np.linspace(-length / 2, length / 2, ROWS)
    edges = np.zeros((ROWS, 2))
    strength = 0.0
    normal = np.array([direction[1], -direction[0]])
    for _ in range(3):
        normal = np.array([direction[1], -direction[0]])
        stations = middle + along[:, None] * direction
        edges, strength = _cortices(pic, stations, normal, min(22.0, 0.45 * length))
        slope, start = _line(along, edges.mean(axis=1))
        middle = middle + start * normal
        direction = direction + slope * normal
        direction = direction / np.hypot(*direction)
    _check(along, edges, strength)
    half = ROWS // 2
    centre = edges.mean(axis=1)
    bow = _line(along[:half], centre[:half])[0] - _line(along[half:], centre[half:])[0]
    sides = (stations + edges[:, :1] * normal, stations + edges[:, 1:] * normal)
    width = float(np.median(edges[:, 1] - edges[:, 0]))
    return Axis(middle, direction, width, float(np.degrees(np.arctan(bow))), sides)


def _cortices(pic: Picture, stations: Array, normal: Array, reach: float) -> tuple[Array, float]:
    """Outer edges of the bone on both sides of each station, and their strength over noise."""
    offsets = np.arange(-reach, reach + pic.fine, pic.fine)
    values = pic.sample(stations[:, None, :] + offsets[None, :, None] * normal)
    if not np.isfinite(values).mean() > 0.7:
        raise NotMeasurable(say("shaft.border"))
    filled = np.where(np.isfinite(values), values, np.nanmin(values))
    slope = np.gradient(ndimage.gaussian_filter(filled, (1.0, 0.25 / pic.fine)), pic.fine, axis=1)
    grain = float(1.4826 * np.median(np.abs(slope[3:] - slope[:-3])) / np.sqrt(2)) + 1e-9
    found, strengths = [], []
    for sign in (-1.0, 1.0):
        drop = np.clip(-sign * slope, 0, None)
        drop[:, sign * offsets < 0.8] = 0
        drop[~np.isfinite(values)] = 0
        typical = float(np.median(drop.max(axis=1))) + 1e-9
        # the outer edge of the cortex is the strongest fall; the pull is towards the clicks
        cost = 1 - np.clip(drop / typical, 0, 1) + 0.1 * np.abs(offsets) / reach
        path = np.clip(cheapest(cost, 3, 0.02), 1, len(offsets) - 2)
        rows = np.arange(len(path))
        shift = peak_shift(drop[rows, path - 1], drop[rows, path], drop[rows, path + 1])
        found.append(offsets[path] + shift * pic.fine)
        strengths.append(float(np.median(drop[rows, path])) / grain)
    return np.stack(found, axis=1), min(strengths)


def _line(along: Array, values: Array) -> tuple[float, float]:
    """Slope and height of a robust line."""
    keep = np.ones(along.shape, bool)
    slope, start = 0.0, 0.0
    for _ in range(4):
        slope, start = np.polyfit(along[keep], values[keep], 1)
        away = np.abs(values - slope * along - start)
        keep = away <= max(0.1, 2.5 * float(np.median(away)))
    return float(slope), float(start)


def _check(along: Array, edges: Array, strength: float) -> None:
    centre, width = edges.mean(axis=1), edges[:, 1] - edges[:, 0]
    slope, start = _line(along, centre)
    rms = float(np.sqrt(np.mean((centre - slope * along - start) ** 2)))
    taper, base = _line(along, width)
    uneven = float(np.std(width - taper * along - base) / np.median(width))
    if strength < 4:
        raise NotMeasurable(say("shaft.faint", strength=strength))
    if rms > 0.4:
        raise NotMeasurable(say("shaft.strays", rms=rms))
    if uneven > 0.1:
        raise NotMeasurable(say("shaft.uneven", share=uneven))


def error_degrees(axis: Axis) -> float:
    """95 % of the direction: the choice of the stretch, or the bow where that is larger."""
    return max(DEFINITION_ERROR, abs(axis.bow) / 2)


def drawn_axis(pic: Picture, axis: Axis, name: str) -> tuple[Drawn, ...]:
    """The axis and the cortices that it was found from."""
    reach = float(np.hypot(*(axis.edges[0][-1] - axis.edges[0][0]))) / 2
    line = axis.middle + np.outer([-reach, reach], axis.direction)
    return (
        Drawn(kind="line", name=name, points=pic.points(line)),
        *(
            Drawn(kind="points", name=f"{name}, cortex {i + 1}", points=pic.points(edge))
            for i, edge in enumerate(axis.edges)
        ),
    )


def shaft_axis(pic: Picture, first: Point, second: Point) -> Measured:
    """Width and bow of a shaft, and its axis to draw."""
    axis = find_axis(pic, first, second)
    per = pic.per_mm
    across, down = axis.direction
    numbers = (
        Number(id="width", name=say("shaft_axis.width"), value=(axis.width + 2 * EDGE) * per,
               unit=pic.unit, plus_minus=WIDTH_ERROR * per),
        Number(id="direction", name=say("shaft_axis.direction"),
               value=float(np.degrees(np.arctan2(down, across))) - 90, unit="deg",
               plus_minus=error_degrees(axis)),
        Number(id="bow", name=say("shaft_axis.bow"), value=axis.bow, unit="deg",
               plus_minus=2 * DEFINITION_ERROR),
    )  # fmt: skip
    doubts = pic.doubts + ((say("shaft.bowed"),) if abs(axis.bow) > 2 else ())
    return Measured(kind="shaft_axis", method=METHOD, version=VERSION,
                    calibration=pic.calibration, numbers=numbers,
                    drawn=drawn_axis(pic, axis, "axis"), doubts=doubts)  # fmt: skip
