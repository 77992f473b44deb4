"""What a plan adds to finished bones: spurs, pits, implants; and a calibration ball beside them."""

from dataclasses import dataclass, replace

from test_pacs.phantom.metal import Plate, Screw, drilled
from test_pacs.phantom.parts import Part, Piece
from test_pacs.phantom.shapes import turned
from test_pacs.phantom.solids import ellipsoid

Place = tuple[float, float, float]


@dataclass(frozen=True)
class Spur:
    """An osteophyte: half an ellipsoid that stands `height` mm out of the bone at a place.

    `at` is in the bone's coordinates: mm lateral, dorsal, distal from its proximal end.
    """

    bone: str
    at: Place
    height: float = 2.0


@dataclass(frozen=True)
class Cavity:
    """A hole in a bone with a rim of dense bone; at the joint it is a subchondral pit."""

    bone: str
    at: Place
    radius: float = 1.2
    rim: float = 0.5


@dataclass(frozen=True)
class Fixed:
    """A screw or plate in a bone, in the bone's coordinates."""

    bone: str
    metal: Screw | Plate


@dataclass(frozen=True)
class Ball:
    """A steel ball, in limb coordinates."""

    at: Place
    diameter: float = 25.0

    def piece(self) -> Piece:
        """The metal."""
        solid = ellipsoid((self.diameter / 2,) * 3).moved(turned((0, 0, 0), self.at))
        return Piece("ball", "metal", (Part(solid),), centre=self.at)


def changed(piece: Piece, lesions: tuple[Spur | Cavity | Fixed, ...]) -> Piece:
    """A bone (or a fragment of it) with its lesions and the holes of its screws."""
    for lesion in lesions:
        if isinstance(lesion, Spur):
            h = lesion.height
            place = piece.frame @ turned((0, 0, 0), lesion.at)
            spur = Part(ellipsoid((h, 1.2 * h, 0.8 * h)).moved(place))
            piece = replace(piece, parts=(*piece.parts, spur))
        elif isinstance(lesion, Cavity):
            place = piece.frame @ turned((0, 0, 0), lesion.at)
            hole, grown = (
                ellipsoid((r,) * 3).moved(place)
                for r in (lesion.radius, lesion.radius + lesion.rim)
            )
            piece = replace(piece, hollows=(*piece.hollows, (hole, grown)))
        elif isinstance(lesion.metal, Screw):
            bare = drilled(Piece(piece.name, "bone", ()), (lesion.metal,)).moved(piece.frame)
            piece = replace(piece, hollows=(*piece.hollows, *bare.hollows))
    return piece
