"""The axis of a shaft from its two cortices, found from two clicks near its ends."""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from dicom_service.measure.cortices import Edge, both_sides
from dicom_service.measure.limb import find_limb
from dicom_service.measure.model import Drawn, Measured, NotMeasurable, Number, Point
from dicom_service.measure.raster import Array, Picture
from dicom_service.measure.said import Said, say

METHOD, VERSION = "sesamoid.shaft_axis", "3"
ROWS = 80
DEFINITION_ERROR = 0.3
"""95 % in degrees: which stretch of a shaft is taken moves the axis more than its contours do."""
EDGE = 0.2
"""mm by which a logarithmic image moves the steepest fall into a round shaft, on each side."""
WIDTH_ERROR = 0.4
OFF, OFF_SHARE = 3.0, 0.15
"""mm, or share of its width, by which the middle of a shaft may lie off the clicks (good to 1 mm,
SD): a pair of edges that is off by more is not the one that was clicked."""
MOST_UNSURE = 2.0
"""Degrees beyond which another possible edge leaves no axis: two clicks alone are as good on a
shaft of 80 mm. On the bodies of cat, dog and horse the edges of a neighbour turn it by 1 to 4."""
MOST_ROWS = 0.95
"""Share of the rows that have to keep to a line: at 300 quanta single ones stray by a mm."""
SKIN = 1.2
"""mm from the silhouette, whose own places are so far apart, at which an edge is the skin."""


@dataclass(frozen=True)
class Axis:
    """A straight axis in working mm: middle, unit direction, and how well the bone fits it."""

    middle: Array
    direction: Array
    width: float
    bow: float
    """Degrees between the axes of the first and the second half."""
    edges: tuple[Array, Array]
    unsure: float = 0.0
    """Degrees by which the direction would be another, if another edge is the shaft's own."""
    unsure_width: float = 0.0
    """The same of the width, mm."""


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
    skin = _Skin(pic)
    for _ in range(3):
        normal = np.array([direction[1], -direction[0]])
        stations = middle + along[:, None] * direction
        sides, grain = both_sides(pic, stations, along, normal, min(22.0, 0.45 * length))
        pairs = _pairs([skin.without(side, stations, normal) for side in sides],
                       (ends - middle) @ normal, along)  # fmt: skip
        edges = pairs[0].edges
        slope, start = _line(along, edges.mean(axis=1))
        middle = middle + start * normal
        direction = direction + slope * normal
        direction = direction / np.hypot(*direction)
    _check(along, edges, pairs[0].weaker / grain)
    half = ROWS // 2
    centre = edges.mean(axis=1)
    bow = _line(along[:half], centre[:half])[0] - _line(along[half:], centre[half:])[0]
    shown = (stations + edges[:, :1] * normal, stations + edges[:, 1:] * normal)
    widths = [float(np.median(pair.edges[:, 1] - pair.edges[:, 0])) for pair in pairs]
    turns = [_line(along, pair.edges.mean(axis=1))[0] - slope for pair in pairs]
    unsure = float(np.degrees(np.arctan(np.abs(turns).max())))
    if unsure > MOST_UNSURE:
        raise NotMeasurable(say("shaft.neighbour", turn=unsure))
    return Axis(middle, direction, widths[0], float(np.degrees(np.arctan(bow))), shown, unsure,
                float(np.abs(np.array(widths) - widths[0]).max()))  # fmt: skip


@dataclass(frozen=True)
class _Pair:
    """Two edges that can be both cortices: offsets on each row, and their falls."""

    edges: Array
    weaker: float
    worth: float
    """The falls of both, less where their middle lies off the clicks."""


def _pairs(sides: Sequence[Sequence[Edge]], clicked: Array, along: Array) -> list[_Pair]:
    """Pairs that fit the clicks (their offsets), the steepest first; all, where none fits."""
    pairs, fitting = [], []
    for one in sides[0]:
        for other in sides[1]:
            edges = np.stack([one.offsets, other.offsets], axis=1)
            slope, start = _line(along, edges.mean(axis=1))
            away = np.abs(start + slope * along[[0, -1]] - clicked).max()
            away /= max(OFF, OFF_SHARE * float(np.median(edges[:, 1] - edges[:, 0])))
            worth = (one.fall + other.fall) * float(np.exp(-2 * away**2))
            pairs.append(_Pair(edges, min(one.fall, other.fall), worth))
            if away <= 1:
                fitting.append(pairs[-1])
    return sorted(fitting or pairs, key=lambda pair: -pair.worth)


class _Skin:
    """The limb's silhouette, looked for when there is a choice of edges."""

    def __init__(self, pic: Picture) -> None:
        self.pic = pic
        self.places: Array | None = None

    def without(self, side: Sequence[Edge], stations: Array, normal: Array) -> Sequence[Edge]:
        """The edges that are not the skin; all of them where no limb is found."""
        if len(side) < 2:
            return side
        if self.places is None:
            self.places = _silhouette(self.pic)
        bones = [edge for edge in side
                 if not self._is(stations + edge.offsets[:, None] * normal)]  # fmt: skip
        return bones or side

    def _is(self, edge: Array) -> bool:
        if self.places is None or not len(self.places):
            return False
        near = np.hypot(*(edge[:, None, :] - self.places[None, :, :]).transpose(2, 0, 1))
        return bool(np.mean(near.min(axis=1) < SKIN) > 0.5)


def _silhouette(pic: Picture) -> Array:
    try:
        limb = find_limb(pic)
    except NotMeasurable:
        return np.zeros((0, 2))
    places = limb.axis[:, None, :] + limb.normals[:, None, :] * limb.sides[:, :, None]
    places = places.reshape(-1, 2)
    return np.asarray(places[np.isfinite(places).all(axis=1)], float)


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
    away = np.sort((centre - slope * along - start) ** 2)
    rms = float(np.sqrt(np.mean(away[: round(MOST_ROWS * len(away))])))
    taper, base = _line(along, width)
    uneven = float(np.std(width - taper * along - base) / np.median(width))
    if strength < 4:
        raise NotMeasurable(say("shaft.faint", strength=strength))
    if rms > 0.4:
        raise NotMeasurable(say("shaft.strays", rms=rms))
    if uneven > 0.1:
        raise NotMeasurable(say("shaft.uneven", share=uneven))


def error_degrees(axis: Axis) -> float:
    """95 % of the direction: the stretch, or the bow where that is more, and what is unsure."""
    return max(DEFINITION_ERROR, abs(axis.bow) / 2) + axis.unsure


def beside(axis: Axis) -> tuple[Said, ...]:
    """The doubt where another edge could be the shaft's own and would turn the axis."""
    if axis.unsure <= DEFINITION_ERROR:
        return ()
    return (say("shaft.beside", turn=axis.unsure),)


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
               unit=pic.unit, plus_minus=(WIDTH_ERROR + axis.unsure_width) * per),
        Number(id="direction", name=say("shaft_axis.direction"),
               value=float(np.degrees(np.arctan2(down, across))) - 90, unit="deg",
               plus_minus=error_degrees(axis)),
        Number(id="bow", name=say("shaft_axis.bow"), value=axis.bow, unit="deg",
               plus_minus=2 * DEFINITION_ERROR),
    )  # fmt: skip
    doubts = pic.doubts + ((say("shaft.bowed"),) if abs(axis.bow) > 2 else ()) + beside(axis)
    return Measured(kind="shaft_axis", method=METHOD, version=VERSION,
                    calibration=pic.calibration, numbers=numbers,
                    drawn=drawn_axis(pic, axis, "axis"), doubts=doubts)  # fmt: skip
