"""A bone of one shaft with one flat gap across it: a joint, a fracture, or none; for measuring.

Its truth needs no drawing: the gap is a slab of known width, the axis a straight line, a pit or a
spur an ellipsoid at a known place.
"""

from dataclasses import dataclass, replace

import numpy as np

from test_pacs.phantom.body import Limb
from test_pacs.phantom.metal import Plate, Screw, drilled
from test_pacs.phantom.parts import Filling, Part, Piece, Tissue, lathe
from test_pacs.phantom.shapes import turned
from test_pacs.phantom.solids import Array, Solid, ellipsoid, lathe_segment


@dataclass(frozen=True)
class Pit:
    """A hole in the bone plate of the distal half: `at` mm lateral of the middle.

    `extent` is its size along the beam as a share of the bone's thickness.
    """

    at: float
    depth: float
    half_width: float = 1.2
    extent: float = 2.0


@dataclass(frozen=True)
class FatPlane:
    """A thin sheet of fat round the bone, `distance` mm from it, with its middle at the gap.

    `effusion` pushes the sheet and all tissue outside it away by so many mm, falling off over
    `reach`; `swelling` thickens the tissue outside it. `gone` are stretches (mm from the gap,
    distal positive) where there is no fat.
    """

    distance: float = 3.0
    thickness: float = 1.2
    effusion: float = 0.0
    reach: float = 9.0
    swelling: float = 0.0
    gone: tuple[tuple[float, float], ...] = ()


@dataclass(frozen=True)
class Bench:
    """Lengths in mm, angles in degrees.

    `gap` is the width of the slab between the two halves (0: none), `plate` the bone plate that
    closes each half (0 for a fracture), `depth` the bone's thickness along a dorsopalmar beam,
    `lean` turns the whole bone in the image plane, `bend` angulates the distal half laterally.
    """

    gap: float = 2.0
    plate: float = 0.8
    width: float = 18.0
    depth: float = 14.0
    cortex: float = 1.2
    trabecular: float = 0.25
    soft: float = 5.0
    half: float = 45.0
    lean: float = 0.0
    bend: float = 0.0
    tip: float = 0.0
    """Degrees by which the slab is tilted to the beam."""
    curve: float = 0.0
    """Radius of the joint's convex half about a line along the beam; 0: flat."""
    step: float = 0.0
    """Shift of the distal half to lateral."""
    texture: float = 0.0
    """Standard deviation of the trabecular bone's density, as a share of it."""
    pits: tuple[Pit, ...] = ()
    osteophyte: float = 0.0
    """Height of a spur on the lateral rim of the distal half."""
    fat: FatPlane | None = None
    screws: tuple[Screw, ...] = ()
    metal_plate: Plate | None = None


def bench(plan: Bench) -> Limb:
    """The body of a bench plan; landmark `gap` is the middle of the slab."""
    place = turned((0, plan.lean, 0), (0, 0, 0)) @ turned((plan.tip, 0, 0), (0, 0, 0))
    pieces = [piece.moved(place) for piece in _soft(plan)]
    bone = drilled(_shaft(plan), plan.screws)
    bent = place @ turned((0, plan.bend, 0), (plan.step, 0, 0))
    upper = bone.clipped((0, 0, 1, plan.gap / 2), plan.plate)
    lower = bone.clipped((0, 0, -1, plan.gap / 2), plan.plate)
    if plan.curve:
        upper, lower = _curved(plan, bone)
    lower = _worn(plan, lower)
    pieces += [upper.moved(place), lower.moved(bent)]
    pieces += [screw.piece().moved(place) for screw in plan.screws]
    if plan.metal_plate:
        pieces.append(plan.metal_plate.piece().moved(place))
    marks = {"gap": (0.0, 0.0, 0.0)}
    for index, screw in enumerate(plan.screws):
        for name, end in (("head", screw.head), ("tip", screw.tip)):
            spot = (place @ np.array([*end, 1.0]))[:3]
            marks[f"screw_{index}_{name}"] = (float(spot[0]), float(spot[1]), float(spot[2]))
    return Limb(tuple(pieces), marks)


def _shaft(plan: Bench) -> Piece:
    aspect = plan.depth / plan.width
    radius, inner = plan.width / 2, plan.width / 2 - plan.cortex
    shaft = Part(
        lathe_segment((radius**2, 0, 0), (-plan.half - 20, plan.half + 20), aspect),
        lathe_segment((inner**2, 0, 0), (-plan.half - 20, plan.half + 20), aspect),
    )
    fill = Filling(np.eye(4), ((-99.0, plan.trabecular), (99.0, plan.trabecular)), plan.texture)
    return Piece("shaft", "bone", (shaft,), filling=fill)


def _soft(plan: Bench) -> list[Piece]:
    """Skin, fat under it and what lies deep to it; the sheet of fat where there is one."""
    radius = plan.width / 2
    layers: tuple[tuple[Tissue, float], ...] = (("skin", 0.0), ("fat", 1.0), ("deep", 2.5))
    ends = (-plan.half - 20, plan.half + 20)
    if plan.fat is None:
        return [
            Piece(tissue, tissue, (Part(lathe_segment(((radius + plan.soft - less) ** 2, 0, 0),
                                                      ends, 1.0)),))
            for tissue, less in layers
        ]  # fmt: skip
    z = np.arange(ends[0], ends[1] + 0.1, 2.0)
    bulge = np.exp(-((z / plan.fat.reach) ** 2))
    outside = (plan.fat.effusion + plan.fat.swelling) * bulge
    made = []
    for tissue, less in layers:
        stations = np.column_stack([z, radius + plan.soft - less + outside]).tolist()
        made.append(Piece(tissue, tissue, tuple(lathe(stations, 1.0, most=60))))
    sheet = radius + plan.fat.distance + plan.fat.thickness / 2 + plan.fat.effusion * bulge
    wall = [(float(z[0]), plan.fat.thickness), (float(z[-1]), plan.fat.thickness)]
    parts = lathe(np.column_stack([z, sheet]).tolist(), 1.0, wall, (True, True), most=60)
    return [*made, Piece("fat plane", "pad", tuple(_without(parts, plan.fat.gone)))]


def _without(parts: list[Part], gone: tuple[tuple[float, float], ...]) -> list[Part]:
    """The slices of a sheet that do not lie in the stretches, cut where one begins or ends."""
    for low, high in gone:
        above, below = (0.0, 0.0, 1.0, -low), (0.0, 0.0, -1.0, high)
        parts = [part.clipped(plane, 0.0) for part in parts for plane in (above, below)]
    return parts


def plane_distance(limb: Limb, plan: Bench, z: Array) -> Array:
    """Distance of the middle of the sheet of fat from the bone at these heights; NaN: no fat."""
    sheet = next(piece for piece in limb.pieces if piece.name == "fat plane")
    found = np.full(z.shape, np.nan)
    for part in sheet.parts:
        if part.inner is None:
            continue
        middle = np.zeros(z.shape)
        inside = np.ones(z.shape, bool)
        for solid in (part.outer, part.inner):
            q = solid.quadric
            squared = -(q[3, 3] + 2 * q[2, 3] * z + q[2, 2] * z * z) / q[0, 0]
            middle += 0.5 * np.sqrt(np.maximum(squared, 0.0))
            for plane in solid.planes:
                inside &= plane[2] * z + plane[3] <= 1e-9
        found = np.where(inside, middle - plan.width / 2, found)
    return found


def _worn(plan: Bench, lower: Piece) -> Piece:
    """The distal half with its pits and its spur."""
    holes = []
    for pit in plan.pits:
        place = turned((0, 0, 0), (pit.at, 0.0, plan.gap / 2))
        deep = pit.extent * plan.depth / 2
        rim = plan.plate if pit.extent >= 1 else 0.4
        holes.append(
            (
                ellipsoid((pit.half_width, deep, pit.depth)).moved(place),
                ellipsoid((pit.half_width + rim, deep + rim, pit.depth + rim)).moved(place),
            )
        )
    parts = lower.parts
    if plan.osteophyte:
        h = plan.osteophyte
        at = turned((0, 0, 0), (plan.width / 2 - 0.5, 0.0, plan.gap / 2 + 0.8 * h))
        parts = (*parts, Part(ellipsoid((h + 0.5, 0.4 * plan.depth, 0.8 * h)).moved(at)))
    return replace(lower, parts=parts, hollows=(*lower.hollows, *holes))


def _curved(plan: Bench, bone: Piece) -> tuple[Piece, Piece]:
    """A condyle in a cup of the same middle line, `gap` apart everywhere."""
    radius, far = plan.curve, 400.0
    middle = turned((0, 0, 0), (0, 0, -radius - plan.gap / 2))
    walls = [(0, 1, 0, -plan.depth / 2), (0, -1, 0, -plan.depth / 2)]

    def roll(r: float) -> Solid:
        return ellipsoid((r, far, r)).clipped(*walls).moved(middle)

    head = Part(roll(radius), roll(radius - plan.plate))
    neck = bone.clipped((0, 0, 1, plan.gap / 2 + 0.6 * radius), 0.0)
    upper = replace(bone, parts=(*neck.parts, head))
    # the cup's rims stand up to the height of the condyle's middle third
    rim = 0.25 * radius - plan.gap / 2
    cup = bone.clipped((0, 0, -1, -rim), plan.plate)
    hollow = radius + plan.gap
    lower = replace(cup, hollows=((_deep(hollow, middle), _deep(hollow + plan.plate, middle)),))
    return upper, lower


def _deep(radius: float, middle: Array) -> Solid:
    return ellipsoid((radius, 400.0, radius)).moved(middle)
