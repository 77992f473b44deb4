"""Parametric strokes of the limb maps. All paths are absolute M, L, C, A and Z commands."""

import math
from dataclasses import dataclass, field
from typing import Any

Point = tuple[float, float]


def _curve(points: list[Point], *, closed: bool) -> str:
    """Cubic pieces of a curve through the points (Catmull-Rom), without the first move."""
    n = len(points)
    pieces = []
    for i in range(n if closed else n - 1):
        before = points[i - 1] if closed or i else points[0]
        a, b = points[i], points[(i + 1) % n]
        after = points[(i + 2) % n] if closed or i + 2 < n else b
        c1 = (a[0] + (b[0] - before[0]) / 6, a[1] + (b[1] - before[1]) / 6)
        c2 = (b[0] - (after[0] - a[0]) / 6, b[1] - (after[1] - a[1]) / 6)
        pieces.append("C" + " ".join(f"{x:.1f} {y:.1f}" for x, y in (c1, c2, b)))
    return "".join(pieces)


def blob(*points: Point) -> str:
    """A closed rounded shape through the points."""
    x, y = points[0]
    return f"M{x:.1f} {y:.1f}{_curve(list(points), closed=True)}Z"


def oval(x: float, y: float, rx: float, ry: float, turn: float = 0.0) -> str:
    """An ellipse around a centre; `turn` in degrees."""
    t = math.radians(turn)
    dx, dy = rx * math.cos(t), rx * math.sin(t)
    a, b = (x - dx, y - dy), (x + dx, y + dy)
    arc = f"A{rx:g} {ry:g} {turn:g} 1 1"
    return f"M{a[0]:.1f} {a[1]:.1f}{arc} {b[0]:.1f} {b[1]:.1f}{arc} {a[0]:.1f} {a[1]:.1f}Z"


def block(left: float, top: float, right: float, bottom: float, soft: float = 0.22) -> str:
    """A small cuboid bone: a box with round corners."""
    r = min(right - left, bottom - top) * soft
    corners = [(left, top + r), (left + r, top), (right - r, top), (right, top + r)]
    corners += [(right, bottom - r), (right - r, bottom), (left + r, bottom), (left, bottom - r)]
    return blob(*corners)


def _sides(line: list[tuple[float, float, float]], inner: float) -> tuple[list[Point], list[Point]]:
    """Points at `inner` times the half width to both sides of a centre line (x, y, half width)."""
    left, right = [], []
    for i, (x, y, half) in enumerate(line):
        x0, y0, _ = line[max(i - 1, 0)]
        x1, y1, _ = line[min(i + 1, len(line) - 1)]
        length = math.hypot(x1 - x0, y1 - y0) or 1.0
        nx, ny = (y1 - y0) / length, -(x1 - x0) / length
        left.append((x - nx * half * inner, y - ny * half * inner))
        right.append((x + nx * half * inner, y + ny * half * inner))
    return left, right


def tube(*line: tuple[float, float, float]) -> str:
    """A long bone: a centre line with half widths, the ends slightly domed."""
    left, right = _sides(list(line), 1.0)
    return _joined(right, left[::-1])


def _joined(there: list[Point], back: list[Point]) -> str:
    x, y = there[0]
    first = f"M{x:.1f} {y:.1f}{_curve(there, closed=False)}"
    x, y = back[0]
    return f"{first}L{x:.1f} {y:.1f}{_curve(back, closed=False)}Z"


def walls(line: list[tuple[float, float, float]], outer: float, inner: float) -> str:
    """Both walls of a tube between two fractions of its half width: a cortex, seen along it."""
    (la, ra), (lb, rb) = _sides(line, outer), _sides(line, inner)
    return _joined(la, lb[::-1]) + _joined(ra, rb[::-1])


def core(line: list[tuple[float, float, float]], part: float) -> str:
    """The middle of a tube: a medulla."""
    return tube(*[(x, y, half * part) for x, y, half in line])


def band(*points: Point, half: float = 2.0) -> str:
    """A joint space, growth plate, axis or tendon: a line of even thickness."""
    return tube(*[(x, y, half) for x, y in points])


@dataclass
class Sheet:
    """One drawing while it is being made."""

    species: tuple[str, ...]
    name: str
    about: str
    shapes: dict[str, dict[str, Any]] = field(default_factory=dict)
    windows: dict[str, list[float]] = field(default_factory=dict)
    outline: str = ""
    profile: dict[str, Any] | None = None

    def put(self, layer: str, **paths: str) -> None:
        """Draw shapes; `region__structure` is a structure as this region has it."""
        for name, d in paths.items():
            self.shapes[name.replace("__", ".")] = {"layer": layer, "d": d}

    def shaft(
        self, line: list[tuple[float, float, float]], *, medulla: str, facing: str, sides: str
    ) -> None:
        """The middle of a long bone: its two pairs of walls and what is between them."""
        self.put("bone", **{sides: walls(line, 1.0, 0.72), facing: walls(line, 0.68, 0.4)})
        self.put("bone", **{medulla: core(line, 0.34)})

    def common(
        self, region: str, window: list[float], axis: list[Point], at: tuple[float, float]
    ) -> None:
        """What every region has: its window, limb axis, room for devices, soft tissue beside it."""
        _, y, _, height = window
        self.windows[region] = window
        left, right = at
        self.put(
            "zone", **{f"{region}__devices": block(left + 6, y + 6, right - 6, y + height - 6, 0.1)}
        )
        self.put("axis", **{f"{region}__frontal_axis": band(*axis, half=2.2)})
        middle = y + height / 2
        for name, edge, out in (("soft_lateral", left, -3), ("soft_medial", right, 3)):
            line = [(edge, y + height * 0.12), (edge + out, middle), (edge, y + height * 0.88)]
            self.put("soft", **{f"{region}__{name}": band(*line, half=4.2)})

    def document(self) -> dict[str, Any]:
        """The drawing as the panel reads it."""
        return {
            "format": 2,
            "id": self.name,
            "species": list(self.species),
            "regions": list(self.windows),
            "about": self.about,
            "windows": self.windows,
            "outline": self.outline,
            **({"profile": self.profile} if self.profile else {}),
            "layers": ["zone", "bone", "over", "axis", "line", "soft"],
            "shapes": self.shapes,
        }


def skin(left: list[Point], right: list[Point]) -> str:
    """The outline of the limb: down its left side, up its right one."""
    return _joined(left, right)


def joined_skin(left: list[Point], lower: str, right: list[Point]) -> str:
    """An outline whose lower part is drawn already, as curves from the last of `left` on."""
    x, y = left[0]
    return f"M{x:.1f} {y:.1f}{_curve(left, closed=False)}{lower}{_curve(right, closed=False)}Z"
