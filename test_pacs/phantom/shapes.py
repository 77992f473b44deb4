"""Turns the shapes of a body's data file into pieces, and frames into affine maps."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import cache
from importlib import resources
from typing import Any

import numpy as np
import yaml

from test_pacs.phantom.parts import Filling, Part, Piece, lathe
from test_pacs.phantom.solids import Array, Solid, block, ellipsoid

Data = Mapping[str, Any]


@cache
def load(name: str = "dog_forelimb.yaml") -> Data:
    """The data file of a body."""
    text = resources.files("test_pacs.data").joinpath(name).read_text("utf-8")
    data: Data = yaml.safe_load(text)
    return _merged(load(data["like"]), data) if "like" in data else data


def _merged(base: Data, change: Data) -> Data:
    both = {**base, **change}
    for key, value in change.items():
        if isinstance(value, Mapping) and isinstance(base.get(key), Mapping):
            both[key] = _merged(base[key], value)
    return both


def turned(degrees: Sequence[float], at: Sequence[float]) -> Array:
    """Affine map: turn about x, then y, then z, then move to `at`."""
    x, y, z = np.radians(degrees)
    about_x = np.array([[1, 0, 0], [0, np.cos(x), -np.sin(x)], [0, np.sin(x), np.cos(x)]])
    about_y = np.array([[np.cos(y), 0, np.sin(y)], [0, 1, 0], [-np.sin(y), 0, np.cos(y)]])
    about_z = np.array([[np.cos(z), -np.sin(z), 0], [np.sin(z), np.cos(z), 0], [0, 0, 1]])
    affine = np.eye(4)
    affine[:3, :3] = about_z @ about_y @ about_x
    affine[:3, 3] = at
    return affine


def bone_frame(at: Sequence[float], splay: float, flex: float) -> Array:
    """Affine map from bone to limb coordinates; `splay` towards lateral, `flex` towards dorsal."""
    side, bend = np.radians(splay), np.radians(flex)
    along = (np.sin(side) * np.cos(bend), np.sin(bend), np.cos(side) * np.cos(bend))
    across = (np.cos(side), 0.0, -np.sin(side))
    dorsal = (-np.sin(bend) * np.sin(side), np.cos(bend), -np.sin(bend) * np.cos(side))
    affine = np.eye(4)
    affine[:3, :3] = np.array([across, dorsal, along]).T
    affine[:3, 3] = at
    return affine


@dataclass(frozen=True)
class Size:
    """How a shape is made to measure: mm along the bone, factor across, factor of the shell."""

    length: float = 0.0
    width: float = 1.0
    shell: float = 1.0

    def along(self, fraction: float, plus: float) -> float:
        """A position along the bone in mm."""
        return fraction * self.length + plus * self.width

    def point(self, at: Sequence[float]) -> tuple[float, float, float]:
        """A data file's [u, v, f, p] in mm."""
        return at[0] * self.width, at[1] * self.width, self.along(at[2], at[3])

    def stations(self, rows: Sequence[Sequence[float]]) -> list[list[float]]:
        """A data file's [f, p, radius, u, v] as (s, radius, u, v) in mm, in order along the bone.

        In a very short bone stations counted from the two ends can change places or coincide.
        """
        made = {}
        for row in rows:
            values = [v * self.width for v in row[2:]]
            made[round(self.along(row[0], row[1]), 3)] = [*values, 0.0, 0.0][:3]
        return [[s, *made[s]] for s in sorted(made)]


def make_piece(name: str, shape: Data, size: Size, frame: Array) -> Piece:
    """A bone of one of the data file's shapes, placed in the limb."""
    parts: list[Part] = []
    for entry in shape["parts"]:
        ((kind, values),) = entry.items()
        parts += (
            _lathe_parts(values, size) if kind == "lathe" else [_round_part(kind, values, size)]
        )
    hollows = []
    for values in shape.get("hollows", ()):
        plate = values["plate"] * size.shell
        place = turned((0, 0, 0), size.point(values["at"]))
        semi = [v * size.width for v in values["semi"]]
        hollows.append(
            (ellipsoid(semi).moved(place), ellipsoid([v + plate for v in semi]).moved(place))
        )
    fill = tuple(sorted((size.along(f, p), share) for f, p, share in shape["fill"]))
    local = Piece(
        name,
        "bone",
        tuple(parts),
        tuple(hollows),
        Filling(np.eye(4), fill, shape["texture"]),
        (0.0, 0.0, size.length / 2),
        length=size.length,
    )
    return local.moved(frame)


def _lathe_parts(values: Data, size: Size) -> list[Part]:
    shell = [(size.along(f, p), t * size.shell * size.width) for f, p, t in values["shell"]]
    first, last = values["open"]
    return lathe(size.stations(values["stations"]), values["aspect"], sorted(shell), (first, last))


def _round_part(kind: str, values: Data, size: Size) -> Part:
    shell = values["shell"] * size.shell * min(1.0, size.width)
    dimensions = [v * size.width for v in values["semi" if kind == "ellipsoid" else "half"]]
    inside = [max(v - shell, 0.1) for v in dimensions]
    planes = [np.array(p, float) for p in values.get("planes", ())]
    outer, inner = _round(kind, values, dimensions), _round(kind, values, inside)
    for plane in planes:
        normal = plane / np.linalg.norm(plane[:3])
        outer = outer.clipped((*normal[:3], normal[3] * size.width))
        inner = inner.clipped((*normal[:3], normal[3] * size.width + shell))
    place = turned(values.get("turn", (0, 0, 0)), size.point(values["at"]))
    return Part(outer, inner).moved(place)


def _round(kind: str, values: Data, dimensions: Sequence[float]) -> Solid:
    return ellipsoid(dimensions) if kind == "ellipsoid" else block(dimensions, values["roundness"])
