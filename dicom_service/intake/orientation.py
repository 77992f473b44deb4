"""Patient Orientation, and how to turn an image so that it hangs as a radiograph hangs.

PS3.3 C.7.6.1.1.1: the first value is the direction of the rows (to the right), the second that
of the columns (downwards). R means right and L left in a biped, rostral and lateral in a
quadruped, so the alphabet must be known before the letters mean anything.
"""

from typing import Literal, NamedTuple

_QUADRUPED = ("LE", "RT", "CR", "CD", "PR", "DI", "PA", "PL", "D", "V", "R", "M", "L")
_BIPED = ("A", "P", "R", "L", "H", "F")
_OPPOSITE = {
    "LE": ("RT",), "RT": ("LE",), "D": ("V", "PA", "PL"), "V": ("D",), "CR": ("CD",),
    "CD": ("CR", "R"), "R": ("CD",), "M": ("L",), "L": ("M",), "PR": ("DI",), "DI": ("PR",),
    "PA": ("D",), "PL": ("D",),
}  # fmt: skip
_OPPOSITE_BIPED = {"A": ("P",), "P": ("A",), "R": ("L",), "L": ("R",), "H": ("F",), "F": ("H",)}
# Along the axis from one end to the other: the names of both ends, by what hanging needs.
_ALONG = (("PR", "H"), ("DI", "F"))
_FRONT_BACK = (("CR", "R", "D", "A"), ("CD", "PA", "PL", "P"))
_TRUNK = (("CR", "R"), ("CD",))
_UPRIGHT = (("D",), ("V",))
Alphabet = Literal["QUADRUPED", "BIPED"]


class Direction(NamedTuple):
    """One direction: the principal code, then up to two refinements, as quadruped or biped."""

    codes: tuple[str, ...]
    alphabet: Alphabet

    @property
    def principal(self) -> str:
        """The principal code; biped right and left are RT and LE here."""
        code = self.codes[0]
        return {"R": "RT", "L": "LE"}.get(code, code) if self.alphabet == "BIPED" else code


Orientation = tuple[Direction, Direction]
"""Directions to the right and downwards."""


class Hanging(NamedTuple):
    """Flip in image axes first, then rotate clockwise by `rotation` degrees."""

    rotation: Literal[0, 90, 180, 270] = 0
    flip_horizontal: bool = False
    hung: bool = False


def parse_direction(text: str, alphabet: Alphabet) -> Direction | None:
    """One value of Patient Orientation; None when it is no direction of this alphabet.

    Codes stand without delimiters, the principal one first; read from the left with one letter
    of look-ahead they are unambiguous.
    """
    known = _QUADRUPED if alphabet == "QUADRUPED" else _BIPED
    opposite = _OPPOSITE if alphabet == "QUADRUPED" else _OPPOSITE_BIPED
    rest, codes = text.strip().upper(), []
    while rest:
        code = next((c for c in known if rest.startswith(c)), None)
        if code is None or code in codes or any(o in codes for o in opposite[code]):
            return None
        codes.append(code)
        rest = rest[len(code) :]
    return Direction(tuple(codes), alphabet) if 1 <= len(codes) <= 3 else None


def parse_orientation(values: tuple[str, ...], stated: str, animal: bool) -> Orientation | None:
    """Both directions of an image, or None.

    Parameters
    ----------
    values
        The two values of Patient Orientation.
    stated
        Anatomical Orientation Type; when it is neither QUADRUPED nor BIPED, the alphabet that
        fits decides, for an animal the quadruped's first.
    animal
        Whether the patient has a species.
    """
    if len(values) != 2:
        return None
    both: tuple[Alphabet, Alphabet] = ("QUADRUPED", "BIPED")
    order: tuple[Alphabet, ...] = both if animal else both[::-1]
    if stated in both:
        order = ("QUADRUPED",) if stated == "QUADRUPED" else ("BIPED",)
    for alphabet in order:
        right, down = (parse_direction(text, alphabet) for text in values)
        if right and down and _axis(right) != _axis(down):
            return right, down
    return None


def hang(orientation: Orientation | None) -> Hanging:
    """The turn after which proximal is up and cranial or dorsal at the viewer's left.

    Where the rows do not run from front to back (dorsopalmar, craniocaudal …) the side on which
    medial lies is a custom of the site, so the image is not mirrored. Trunk views: cranial up in
    ventrodorsal views; dorsal up and cranial at the left in lateral ones.
    """
    if orientation is None:
        return Hanging()
    right, down = (direction.principal for direction in orientation)
    vertical, horizontal = _wanted_axes(right, down)
    if vertical is None:
        return Hanging()
    for flip in (False, True):
        for rotation in (0, 90, 180, 270):
            to_right, to_down = _turned(right, down, flip, rotation)
            upright = to_down in _names(vertical, 1)
            front_left = horizontal is None or to_right in _names(horizontal, 1)
            if upright and front_left:
                return Hanging(rotation, flip, True)
    return Hanging()


def shows(orientation: Orientation | None) -> Literal["lateral", "frontal", ""]:
    """The kind of view that an upright orientation means: what runs across the limb."""
    if orientation is None:
        return ""
    codes = {direction.principal for direction in orientation}
    if not codes & {*_ALONG[0], *_ALONG[1]}:
        return ""
    return "lateral" if codes & {*_FRONT_BACK[0], *_FRONT_BACK[1]} else "frontal"


_ACROSS_LIMB = {
    "M": "medial", "L": "lateral", "D": "dorsal", "PA": "palmar", "PL": "plantar",
    "CR": "cranial", "CD": "caudal",
}  # fmt: skip


def across_limb(orientation: Orientation | None) -> tuple[str, str]:
    """What lies to the right and below in a limb's image; "" along the limb, where a direction is
    refined (an oblique view), or not a quadruped's."""
    if orientation is None or not shows(orientation):
        return "", ""
    right, down = (
        _ACROSS_LIMB.get(one.codes[0], "")
        if one.alphabet == "QUADRUPED" and len(one.codes) == 1
        else ""
        for one in orientation
    )
    return right, down


_Axis = tuple[tuple[str, ...], tuple[str, ...]]


def _axis(direction: Direction) -> int:
    """Which of the three axes of a limb or trunk the principal code lies on."""
    code = direction.principal
    return (
        0
        if code in {"PR", "DI", "H", "F"}
        else 1
        if code in {"M", "L", "LE", "RT"}
        else (2 if code in {"D", "PA", "PL", "A", "P", "V"} else 3)
    )


def _wanted_axes(right: str, down: str) -> tuple[_Axis | None, _Axis | None]:
    """Which axis must become vertical, and which horizontal if that matters."""
    present = {right, down}
    front_back = {*_FRONT_BACK[0], *_FRONT_BACK[1]} & present
    if {*_ALONG[0], *_ALONG[1]} & present:
        return _ALONG, _FRONT_BACK if front_back else None
    if {"LE", "RT", "M", "L"} & present and {*_TRUNK[0], *_TRUNK[1]} & present:
        return _TRUNK, None
    if {"D", "V"} & present and {*_TRUNK[0], *_TRUNK[1]} & present:
        return _UPRIGHT, _TRUNK
    return None, None


def _names(axis: _Axis, end: int) -> tuple[str, ...]:
    """The codes for one end of an axis; "-" marks the reverse of the other end."""
    return (*axis[end], *("-" + code for code in axis[1 - end]))


def _reverse(code: str) -> str:
    return code[1:] if code.startswith("-") else "-" + code


def _turned(right: str, down: str, flip: bool, rotation: int) -> tuple[str, str]:
    """What points right and down after the flip and the rotation."""
    if flip:
        right = _reverse(right)
    for _ in range(rotation // 90):
        right, down = _reverse(down), right
    return right, down
