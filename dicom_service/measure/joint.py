"""Joint space width between two subchondral margins, from two clicks along the space."""

import numpy as np

from dicom_service.measure.joint_checks import check, metal, tangential
from dicom_service.measure.joint_margins import ROW, Space, find_space
from dicom_service.measure.margin import PIT_ERROR, PLACE_ERROR, Pit, pits
from dicom_service.measure.model import Drawn, Measured, Number, Point, Profile
from dicom_service.measure.raster import Array, Picture
from dicom_service.measure.said import Said, say

METHOD, VERSION = "sesamoid.joint_space", "5"
NARROWEST = 0.65
"""Below this width the blur decides; only an upper bound is given."""
MOST_KEPT = 0.8
"""Where less of the clicked line is measured, it is told."""


def joint_space(pic: Picture, first: Point, second: Point) -> Measured:
    """Width of the joint space between two points clicked along it.

    Raises
    ------
    NotMeasurable
        The points are too close, off the image, not on a dark space between two bones, or the
        margins are not tangential to the beam.
    """
    space = find_space(pic, first, second)
    check(space)
    error, blurred = tangential(space)
    doubts = [*pic.doubts, *metal(space), *blurred]
    if space.share < MOST_KEPT:
        doubts.append(say("joint.part", share=space.share))
    return _answer(space, error, doubts)


def _answer(space: Space, error: float, doubts: list[Said]) -> Measured:
    pic, per = space.pic, space.pic.per_mm
    numbers, start, window = _widths(space, error)
    points = [space.line + space.normals * space.edges[:, s : s + 1] for s in (0, 1)]
    holes: list[Array] = []
    for side, words in enumerate((say("word.first_margin"), say("word.second_margin"))):
        normal = space.normals.mean(axis=0)
        measured, seen = _margin_numbers(pic, points[side], normal, side)
        numbers += measured
        if seen is None:
            doubts.append(say("joint.no_pits", margin=words))
        elif seen:
            doubts.append(say("joint.pits", margin=words, count=len(seen)))
        holes += [pit.place for pit in seen or ()]
    narrowest = np.stack([p[start + window // 2] for p in points])
    lines = (("first margin", points[0]), ("second margin", points[1]), ("minimum", narrowest))
    drawn = tuple(Drawn(kind="line", name=name, points=pic.points(at)) for name, at in lines)
    if holes:
        drawn += (Drawn(kind="points", name="pits", points=pic.points(np.stack(holes))),)
    along = np.arange(len(space.edges), dtype=float) * ROW * per
    profile = Profile(name=say("curve.joint_width"), unit=pic.unit,
                      along=tuple(round(float(a), 2) for a in along),
                      values=tuple(round(float(w) * per, 3) for w in space.width))  # fmt: skip
    return Measured(kind="joint_space", method=METHOD, version=VERSION,
                    calibration=pic.calibration, numbers=tuple(numbers), drawn=drawn,
                    profiles=(profile,), doubts=tuple(doubts))  # fmt: skip


def _widths(space: Space, error: float) -> tuple[list[Number], int, int]:
    """Minimum and mean; the first row of the narrowest stretch and how many it has."""
    per, unit = space.pic.per_mm, space.pic.unit
    window = max(1, round(2.0 / ROW))
    running = np.convolve(space.width, np.ones(window) / window, "valid")
    lowest, mean = float(running.min()), float(space.width.mean())
    narrow = lowest < NARROWEST
    least = max(NARROWEST, lowest + error) if narrow else lowest
    numbers = [
        Number(id="minimum", name=say("joint_space.minimum"), value=least * per, unit=unit,
               plus_minus=None if narrow else error * per,
               bound="at most" if narrow else ""),
        Number(id="mean", name=say("joint_space.mean"), value=mean * per, unit=unit,
               plus_minus=error * per),
    ]  # fmt: skip
    return numbers, int(running.argmin()), window


def _margin_numbers(
    pic: Picture, margin: Array, normal: Array, side: int
) -> tuple[list[Number], tuple[Pit, ...] | None]:
    """Roughness and deepest pit of one margin, and its pits."""
    depth, found = pits(margin, -normal if side == 0 else normal)
    per, unit = pic.per_mm, pic.unit
    numbers = [Number(id=f"roughness_{side + 1}", name=say(f"joint_space.roughness_{side + 1}"),
                      value=float(np.std(depth)) * per, unit=unit)]  # fmt: skip
    name = f"pit_{side + 1}"
    if not found:
        return numbers, found
    deepest = found[0]
    numbers += [
        Number(id=name, name=say(f"joint_space.{name}"), value=deepest.depth * per, unit=unit,
               plus_minus=None if deepest.narrow else PIT_ERROR * per,
               bound="at least" if deepest.narrow else ""),
        Number(id=f"{name}_at", name=say(f"joint_space.{name}_at"),
               value=float(np.hypot(*(deepest.place - margin[0]))) * per, unit=unit,
               plus_minus=PLACE_ERROR * per),
    ]  # fmt: skip
    return numbers, found
