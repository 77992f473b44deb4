"""A bone of one shaft with one flat gap across it: a joint, a fracture, or none; for measuring.

Its truth needs no drawing: the gap is a slab of known width, the axis a straight line.
"""

from dataclasses import dataclass, replace

import numpy as np

from test_pacs.phantom.body import Limb
from test_pacs.phantom.parts import Filling, Part, Piece, Tissue
from test_pacs.phantom.shapes import turned
from test_pacs.phantom.solids import Array, Solid, ellipsoid, lathe_segment


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


def bench(plan: Bench) -> Limb:
    """The body of a bench plan; landmark `gap` is the middle of the slab."""
    aspect = plan.depth / plan.width
    radius, inner = plan.width / 2, plan.width / 2 - plan.cortex
    pieces = []
    layers: tuple[tuple[Tissue, float], ...] = (("skin", 0.0), ("fat", 1.0), ("deep", 2.5))
    place = turned((0, 0, 0), (0, 0, 0))
    place = turned((0, plan.lean, 0), (0, 0, 0)) @ turned((plan.tip, 0, 0), (0, 0, 0)) @ place
    for tissue, less in layers:
        outer = radius + plan.soft - less
        solid = lathe_segment((outer**2, 0, 0), (-plan.half - 20, plan.half + 20), 1.0)
        pieces.append(Piece(tissue, tissue, (Part(solid),)).moved(place))
    shaft = Part(
        lathe_segment((radius**2, 0, 0), (-plan.half - 20, plan.half + 20), aspect),
        lathe_segment((inner**2, 0, 0), (-plan.half - 20, plan.half + 20), aspect),
    )
    fill = Filling(np.eye(4), ((-99.0, plan.trabecular), (99.0, plan.trabecular)), 0.0)
    bone = Piece("shaft", "bone", (shaft,), filling=fill)
    bent = place @ turned((0, plan.bend, 0), (0, 0, 0))
    upper = bone.clipped((0, 0, 1, plan.gap / 2), plan.plate)
    lower = bone.clipped((0, 0, -1, plan.gap / 2), plan.plate)
    if plan.curve:
        upper, lower = _curved(plan, bone)
    return Limb((*pieces, upper.moved(place), lower.moved(bent)), {"gap": (0.0, 0.0, 0.0)})


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
