"""The limb map of the panel as a drawing for paper: which structures were found changed."""

import math
import re
from collections.abc import Iterable, Iterator, Mapping, Sequence
from typing import Any, Literal

from reportlab.graphics.shapes import Drawing, Group, Path
from reportlab.lib.colors import Color, HexColor

from dicom_service.report.model import ReportContent
from dicom_service.review.model import TemplateItem

LimbMap = Mapping[str, Any]
"""A file of `viewer_plugin/maps`."""
State = Literal["abnormal", "variant", "seen", "open"]

_FILLS: Mapping[State, Color] = {
    "abnormal": HexColor("#c0392b"),
    "variant": HexColor("#e6b450"),
    "seen": HexColor("#e7ebee"),
    "open": HexColor("#ffffff"),
}
_EDGE, _SKIN, _SKIN_EDGE = HexColor("#7c8790"), HexColor("#f6f7f8"), HexColor("#c9cfd4")
_OVERLAID = ("zone", "soft", "axis", "line")
"""Layers that lie across the bones: drawn only where something was found."""
_TOKEN = re.compile(r"[MLCQAZ]|-?\d*\.?\d+")
_ARC_STEPS = 8
Point = tuple[float, float]


def fitting_map(content: ReportContent, maps: Sequence[LimbMap]) -> LimbMap | None:
    """The map of the species that shows most of the study's regions; None when none does."""
    species = content.template.species or content.facts.signalment.species
    regions = set(content.template.regions)
    fitting = [
        (len(regions.intersection(m["regions"])), number)
        for number, m in enumerate(maps)
        if species in m["species"] and regions.intersection(m["regions"])
    ]
    return maps[max(fitting, key=lambda entry: (entry[0], -entry[1]))[1]] if fitting else None


def sides(content: ReportContent) -> tuple[str, ...]:
    """The sides to draw: each that the template has items of, right first."""
    found = {item.side for item in content.template.items}
    return tuple(side for side in ("R", "L") if side in found) or ("R",)


def limb_drawing(content: ReportContent, limb: LimbMap, side: str, height: float) -> Drawing:
    """One limb, `height` points high; a left limb is the right one mirrored."""
    items = [item for item in content.template.items if item.side in (side, "U", "B")]
    x, y, width, tall = _window(limb, {item.region for item in items})
    scale = height / tall
    drawing = Drawing(width * scale, height)
    drawing.add(_clip(drawing.width, height))
    states = {_shape_name(limb, item): _state(content, item) for item in items}
    mirror = -1 if side == "L" else 1
    across = -x if mirror == 1 else x + width
    main = Group(transform=(mirror * scale, 0, 0, -scale, across * scale, (y + tall) * scale))
    main.add(_path(limb["outline"], _SKIN, _SKIN_EDGE, 1.2))
    for path in _shapes(limb, states, "main"):
        main.add(path)
    drawing.add(main)
    profile = limb.get("profile")
    if profile and any(limb["shapes"].get(name, {}).get("frame") for name in states):
        shift = profile.get("mirror_shift", 0.0) if side == "L" else 0.0
        beside = Group(transform=(scale, 0, 0, -scale, (shift - x) * scale, (y + tall) * scale))
        beside.add(_path(profile["outline"], _SKIN, _SKIN_EDGE, 1.2))
        for path in _shapes(limb, states, "profile"):
            beside.add(path)
        drawing.add(beside)
    return drawing


def _window(limb: LimbMap, regions: Iterable[str]) -> tuple[float, float, float, float]:
    """The part of the drawing that the regions take up: x, y, width, height."""
    windows = [limb["windows"][r] for r in regions if r in limb["windows"]]
    used = windows or list(limb["windows"].values())
    x, y = min(w[0] for w in used), min(w[1] for w in used)
    return x, y, max(w[0] + w[2] for w in used) - x, max(w[1] + w[3] for w in used) - y


def _clip(width: float, height: float) -> Path:
    """The rest of the limb ends at the edge of the drawing."""
    path = Path(isClipPath=1, fillColor=None, strokeColor=None)
    path.moveTo(0, 0)
    for corner in ((width, 0), (width, height), (0, height)):
        path.lineTo(*corner)
    path.closePath()
    return path


def _shape_name(limb: LimbMap, item: TemplateItem) -> str:
    """Two regions may share a structure: the shape of its region comes first."""
    own = f"{item.region}.{item.structure}"
    return own if own in limb["shapes"] else item.structure


def _state(content: ReportContent, item: TemplateItem) -> State:
    """The worst that was said of a structure in any view."""
    said = {seen.value for seen in content.reading.observations.get(item.id, {}).values()}
    if "abnormal" in said:
        return "abnormal"
    if "variant" in said:
        return "variant"
    return "seen" if said - {"not_assessable"} else "open"


def _shapes(limb: LimbMap, states: Mapping[str, State], frame: str) -> Iterator[Path]:
    for layer in limb["layers"]:
        for structure, shape in limb["shapes"].items():
            if shape["layer"] != layer or shape.get("frame", "main") != frame:
                continue
            state = states.get(structure, "open")
            found = state in ("abnormal", "variant")
            if layer in _OVERLAID and not found:
                continue
            yield _path(shape["d"], _FILLS[state], _EDGE, 0.9, 0.75 if layer in _OVERLAID else 1)


def _path(d: str, fill: Color, edge: Color, width: float, opacity: float = 1) -> Path:
    path = Path(fillColor=fill, strokeColor=edge, strokeWidth=width, fillOpacity=opacity)
    words = _TOKEN.findall(d)
    at = 0
    here: Point = (0.0, 0.0)
    command = "M"
    while at < len(words):
        if words[at].isalpha():
            command = words[at]
            at += 1
        if command == "Z":
            path.closePath()
            continue
        count = {"M": 2, "L": 2, "Q": 4, "C": 6, "A": 7}[command]
        numbers = [float(word) for word in words[at : at + count]]
        at += count
        _draw(path, command, here, numbers)
        here = (numbers[-2], numbers[-1])
    return path


def _draw(path: Path, command: str, here: Point, n: Sequence[float]) -> None:
    if command == "M":
        path.moveTo(n[0], n[1])
    elif command == "L":
        path.lineTo(n[0], n[1])
    elif command == "C":
        path.curveTo(*n)
    elif command == "Q":
        # A quadratic curve as a cubic one: control points two thirds of the way to its own.
        first = (here[0] + (n[0] - here[0]) * 2 / 3, here[1] + (n[1] - here[1]) * 2 / 3)
        second = (n[2] + (n[0] - n[2]) * 2 / 3, n[3] + (n[1] - n[3]) * 2 / 3)
        path.curveTo(*first, *second, n[2], n[3])
    else:
        for point in _half_ellipse(here, n):
            path.lineTo(*point)


def _half_ellipse(start: Point, n: Sequence[float]) -> Iterator[Point]:
    """Points of an arc; the maps draw ellipses as two halves, so the chord is a diameter."""
    rx, ry, turn, _, sweep, *end = n
    middle = ((start[0] + end[0]) / 2, (start[1] + end[1]) / 2)
    cos, sin = math.cos(math.radians(turn)), math.sin(math.radians(turn))
    dx, dy = start[0] - middle[0], start[1] - middle[1]
    begin = math.atan2((-dx * sin + dy * cos) / ry, (dx * cos + dy * sin) / rx)
    for step in range(1, _ARC_STEPS + 1):
        angle = begin + (1 if sweep else -1) * math.pi * step / _ARC_STEPS
        u, v = rx * math.cos(angle), ry * math.sin(angle)
        yield middle[0] + u * cos - v * sin, middle[1] + u * sin + v * cos
