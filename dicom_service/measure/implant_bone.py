"""What lies round an implant: the bone along its axis, and the joint beside it."""

import numpy as np

from dicom_service.measure.edges import outer_edge, straight
from dicom_service.measure.joint import joint_space
from dicom_service.measure.model import Drawn, NotMeasurable, Number, Point
from dicom_service.measure.raster import Array, Picture
from dicom_service.measure.said import Said, say

BONE_ERROR, BEYOND_ERROR = 0.8, 0.6
"""95 % of the length of bone along an implant, and of what stands beyond it, mm."""
COVERED_ERROR = 1.2
"""The same where a plate hides the bone's edge."""
JOINT_ERROR = 0.6
CLICKED_ERROR = 2.5
"""95 % of a distance to a joint line that was only clicked."""
STEP, END = 0.1, 0.5
"""mm between points of a line, and how near its end the joint may go on beyond the clicks."""
EDGE = 0.15
"""mm by which a logarithmic image moves the steepest fall into a round bone."""
ROUND = 20.0
"""mm beyond the ends of the metal in which the bone's edge is looked for."""

Found = tuple[list[Number], list[Drawn], list[Said]]


def bone_along(pic: Picture, tips: Array, width: float, metal: float) -> Found:
    """Length of the bone along the axis, and how far each end of the metal stands beyond it.

    The bone is measured beside the metal, on both sides of it, so that an edge which crosses the
    axis obliquely is taken where the axis meets it.
    """
    forward = tips[1] - tips[0]
    length = float(np.hypot(*forward))
    forward = forward / length
    across = np.array([-forward[1], forward[0]])
    # resorbed bone and the blur of the metal reach about a millimetre
    away = width / 2 + np.arange(1.2, 3.3, 0.25)
    lanes = np.concatenate([-away[::-1], away])
    starts = tips.mean(axis=0) + lanes[:, None] * across
    heights, hidden = [], []
    ways, reach = (-forward, forward), length / 2 + ROUND
    steepest = max(outer_edge(pic, starts, way, reach, hidden=metal)[2] for way in ways)
    for way in ways:
        # where a plate hides the edge, the bone's own structure is the steepest that is left
        place, covered, _ = outer_edge(pic, starts, way, reach, hidden=metal, least=0.5 * steepest)
        height, _, rough = straight(lanes, place)
        plate = bool(covered.mean() > 0.5)
        clear = np.isfinite(height) and rough < 0.5
        heights.append(height + (0.0 if plate else EDGE) if clear else np.nan)
        hidden.append(plate)
    return _told(pic, tips, forward, heights, hidden)


def _told(pic: Picture, tips: Array, forward: Array, heights: list[float], hidden: list[bool]
          ) -> Found:  # fmt: skip
    per, unit, middle = pic.per_mm, pic.unit, tips.mean(axis=0)
    numbers: list[Number] = []
    drawn: list[Drawn] = []
    doubts: list[Said] = []
    half = float(np.hypot(*(tips[1] - tips[0]))) / 2
    ends = (say("word.first"), say("word.second"))
    for words, height, covered in zip(ends, heights, hidden, strict=True):
        if not np.isfinite(height):
            doubts.append(say("metal.no_edge", end=words))
            continue
        error = COVERED_ERROR if covered else BEYOND_ERROR
        numbers.append(Number(id=f"beyond_{words}", name=say(f"implant.beyond_{words}"),
                              value=(half - height) * per, unit=unit,
                              plus_minus=error * per))  # fmt: skip
        if covered:
            doubts.append(say("metal.covered", end=words))
    if len(numbers) == 2:
        error = COVERED_ERROR if any(hidden) else BONE_ERROR
        numbers.insert(0, Number(id="bone", name=say("implant.bone"),
                                 value=sum(heights) * per, unit=unit,
                                 plus_minus=error * per))  # fmt: skip
        spots = np.stack([middle - heights[0] * forward, middle + heights[1] * forward])
        drawn.append(Drawn(kind="points", name="the bone's edges", points=pic.points(spots)))
    return numbers, drawn, doubts


def to_joint(pic: Picture, tips: Array, width: float, clicked: tuple[Point, Point]) -> Found:
    """Least distance between the metal and a joint that was clicked along its space."""
    doubts: list[Said] = []
    try:
        joint = joint_space(pic, *clicked)
    except NotMeasurable as refusal:
        lines, error = [pic.mm(clicked)], CLICKED_ERROR
        doubts.append(say("metal.joint_clicked", why=refusal.said))
        drawn = [Drawn(kind="line", name="joint as clicked", points=clicked)]
    else:
        drawn = [d for d in joint.drawn if d.name in ("first margin", "second margin")]
        lines, error = [pic.mm(d.points) for d in drawn], JOINT_ERROR
    rim = _rim(tips, width)
    apart = [np.hypot(*(rim[:, None, :] - _fine(line)[None, :, :]).T) for line in lines]
    distance = min(float(a.min()) for a in apart)
    ends = round(END / STEP)
    within = min(float(a[ends:-ends].min(initial=np.inf)) for a in apart)
    if any(_inside(_fine(line), tips, width).any() for line in lines):
        doubts.append(say("metal.crosses"))
        distance = 0.0
    elif within > distance + 0.1:
        doubts.append(say("metal.joint_end"))
    number = Number(id="joint", name=say("implant.joint"), unit=pic.unit,
                    value=distance * pic.per_mm, plus_minus=error * pic.per_mm)  # fmt: skip
    return [number], drawn, doubts


def _fine(line: Array) -> Array:
    run = np.concatenate([[0.0], np.cumsum(np.hypot(*np.diff(line, axis=0).T))])
    along = np.arange(0.0, run[-1] + STEP, STEP)
    return np.stack([np.interp(along, run, line[:, i]) for i in (0, 1)], axis=1)


def _rim(tips: Array, width: float) -> Array:
    """The outline of a straight piece of metal."""
    forward = (tips[1] - tips[0]) / np.hypot(*(tips[1] - tips[0]))
    side = 0.5 * width * np.array([-forward[1], forward[0]])
    corners = np.stack([tips[0] - side, tips[1] - side, tips[1] + side, tips[0] + side])
    return _fine(np.concatenate([corners, corners[:1]]))


def _inside(points: Array, tips: Array, width: float) -> Array:
    vector = tips[1] - tips[0]
    length = float(np.hypot(*vector))
    forward = vector / length
    along = (points - tips[0]) @ forward
    across = (points - tips[0]) @ np.array([-forward[1], forward[0]])
    return np.asarray((along > 0) & (along < length) & (np.abs(across) < width / 2))
