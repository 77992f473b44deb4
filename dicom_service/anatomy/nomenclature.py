"""The standard nomenclature of projections: reading it, writing it, and its geometry.

A label says where the beam enters, then where it leaves: `D45L-PaMO` enters 45 degrees lateral of
dorsal and leaves palmaromedially. `O` (oblique) is written exactly when the beam turns away from
the first-named direction. The angle runs from the first direction towards the one after it
(Smallwood et al. 1985; abbreviations of the ACVR). View Position of animals holds the same in
capitals with an underscore, `D45L_PAMO` (PS3.3 C.8.1.1).
"""

import math
import re
from collections.abc import Sequence
from typing import NamedTuple

NAMES = {
    "Le": ("left", "left"),
    "Rt": ("right", "right"),
    "D": ("dorsal", "dorso"),
    "V": ("ventral", "ventro"),
    "Cr": ("cranial", "cranio"),
    "Cd": ("caudal", "caudo"),
    "R": ("rostral", "rostro"),
    "M": ("medial", "medio"),
    "L": ("lateral", "latero"),
    "Pr": ("proximal", "proximo"),
    "Di": ("distal", "disto"),
    "Pa": ("palmar", "palmaro"),
    "Pl": ("plantar", "plantaro"),
}
"""Abbreviation -> the word alone and the word in front of another one."""

_UNSTATED_DEGREES = 45.0
"""The angle that geometry assumes where a label states none (DL-PaMO)."""
_FACES = {"D": 1, "Cr": 1, "Pa": -1, "Pl": -1, "Cd": -1, "V": -1}
_SIDES = {"L": 1, "Le": 1, "M": -1, "Rt": -1}
_ENDS = {"Pr": 1, "R": 1, "Di": -1}
_ACROSS = {
    "D": "Pa Pl V", "Pa": "D", "Pl": "D", "V": "D", "Cr": "Cd", "Cd": "Cr R", "R": "Cd",
    "M": "L", "L": "M", "Le": "Rt", "Rt": "Le", "Pr": "Di", "Di": "Pr",
}  # fmt: skip
"""Where a beam that enters at a direction can leave."""
_OF_THE_TRUNK = frozenset(("V", "Le", "Rt", "R"))


class Turn(NamedTuple):
    """How far the beam is turned towards a direction; None: not stated."""

    degrees: int | None
    towards: str


class Projection(NamedTuple):
    """One projection, taken apart."""

    direction: str
    """The surface that the beam comes from before it is turned."""
    turns: tuple[Turn, ...]
    exit: tuple[str, ...]

    @property
    def angle(self) -> int | None:
        """The angle of the first turn."""
        return self.turns[0].degrees if self.turns else None

    @property
    def towards(self) -> str:
        """The direction of the first turn; empty for a straight beam."""
        return self.turns[0].towards if self.turns else ""

    @property
    def oblique(self) -> bool:
        """Whether the beam is turned away from its first direction."""
        return bool(self.turns)


# Writing


def label(projection: Projection) -> str:
    """The label in standard nomenclature: "DPa", "D45L-PaMO", "Cd10Di-CrPrO"."""
    turns = "".join(f"{_number(t.degrees)}{t.towards}" for t in projection.turns)
    entry, leaves = projection.direction + turns, "".join(projection.exit)
    if projection.oblique:
        return f"{entry}-{leaves}O"
    return f"{entry}-{leaves}" if projection.direction in ("Le", "Rt") else entry + leaves


def capitals(projection: Projection) -> str:
    """The form of View Position (CS): "D45L_PAMO"."""
    return label(projection).upper().replace("-", "_")


def spoken(projection: Projection) -> str:
    """The words: "dorsal 45 degree lateral-palmaromedial oblique", "dorsopalmar"."""
    entry = [projection.direction, *(t.towards for t in projection.turns)]
    if not projection.oblique:
        words = _joined([*entry, *projection.exit])
        left_right = projection.direction in ("Le", "Rt")
        return "-".join(NAMES[d][0] for d in (*entry, *projection.exit)) if left_right else words
    if all(t.degrees is None for t in projection.turns):
        said = _joined(entry)
    else:
        said = NAMES[projection.direction][0]
        for turn in projection.turns:
            angle = "" if turn.degrees is None else f" {turn.degrees} degree"
            said += f"{angle} {NAMES[turn.towards][0]}" if turn.towards else angle
    return f"{said}-{_joined(projection.exit)} oblique"


def _number(degrees: int | None) -> str:
    return "" if degrees is None else str(degrees)


def _joined(directions: Sequence[str]) -> str:
    if {"Le", "Rt"} & set(directions):
        return " ".join(NAMES[d][0] for d in directions)
    return "".join(NAMES[d][1] for d in directions[:-1]) + NAMES[directions[-1]][0]


# Reading


_ABBREVIATIONS = {name.casefold(): name for name in NAMES}
_ATOM = re.compile(r"\d{1,3}|le|rt|cr|cd|pr|di|pa|pl|[dvrml]")
_WORDS = {word: name for name, words in NAMES.items() for word in words}
_WORD = re.compile(
    r"\d{1,3}|" + "|".join(sorted((w for w in _WORDS), key=len, reverse=True)) + "|[-]"
)
_FILLER = re.compile(r"°|\b(?:degrees?|deg|grad)\b")


def parse(text: str) -> Projection | None:
    """The projection that a label names: "D45L-PaMO", "D45LPaM", "D45L_PAMO"; None for others.

    Case, the hyphen and the O of "oblique" may be missing or different.
    """
    plain = re.sub(r"[\s_°]+", "-", text.strip().casefold().replace("°", "")).strip("-")
    halves = plain.split("-")
    if len(halves) > 2:
        return None
    stated = halves[-1].endswith("o")
    halves[-1] = halves[-1].removesuffix("o")
    atoms = [_atoms(half) for half in halves]
    if any(found is None for found in atoms):
        return None
    return _whole([found for found in atoms if found is not None], oblique=stated)


def parse_name(text: str) -> Projection | None:
    """The projection that words name: "Dorsal 45 degree lateral-palmaromedial oblique"."""
    plain = _FILLER.sub(" ", text.casefold())
    plain, oblique = re.subn(r"\s*\bobl(?:iq(?:ue)?)?\.?\s*$", "", plain.strip())
    if re.match(r"(left|right)\s*-", plain):
        plain = plain.removesuffix(" lateral")
    compact = re.sub(r"\s+", "", plain)
    pieces = _WORD.findall(compact)
    if not pieces or "".join(pieces) != compact:
        return None
    halves: list[list[str]] = [[]]
    for piece in pieces:
        if piece == "-":
            halves.append([])
        else:
            halves[-1].append(_WORDS.get(piece, piece))
    return _whole(halves, oblique=bool(oblique)) if len(halves) <= 2 and all(halves) else None


def _atoms(text: str) -> list[str] | None:
    found = _ATOM.findall(text)
    if not found or "".join(found) != text:
        return None
    return [_ABBREVIATIONS.get(atom, atom) for atom in found]


def _whole(halves: Sequence[list[str]], *, oblique: bool) -> Projection | None:
    """Put the halves together; without a hyphen the exit begins on the axis of the entry."""
    entry, leaves = (halves[0], halves[1]) if len(halves) == 2 else _split(halves[0])
    if not entry or not leaves or entry[0].isdigit() or any(a.isdigit() for a in leaves):
        return None
    turns: list[Turn] = []
    degrees: int | None = None
    for atom in entry[1:]:
        if atom.isdigit():
            if degrees is not None:
                return None
            degrees = int(atom)
        else:
            turns.append(Turn(degrees, atom))
            degrees = None
    if degrees == 0 and not turns:
        turns.append(Turn(0, ""))  # D0-PaO: horizontal, said to be so
    elif degrees is not None:
        return None
    found = Projection(entry[0], tuple(turns), tuple(leaves))
    return found if _is_possible(found) and (found.oblique or not oblique) else None


def _split(atoms: list[str]) -> tuple[list[str], list[str]]:
    for at, atom in enumerate(atoms):
        if at > 0 and _axis(atom, atoms) == _axis(atoms[0], atoms):
            return atoms[:at], atoms[at:]
    return atoms, []


# Geometry


def _axis(direction: str, among: Sequence[str]) -> int:
    """0 dorsal to palmar, 1 lateral to medial, 2 proximal to distal; -1 for none."""
    if direction in ("Cr", "Cd") and _OF_THE_TRUNK & set(among):
        return 2  # along the trunk, but across the limb
    for axis, directions in enumerate((_FACES, _SIDES, _ENDS)):
        if direction in directions:
            return axis
    return -1


def _vector(direction: str, among: Sequence[str]) -> tuple[float, float, float]:
    axis = _axis(direction, among)
    sign = {**_FACES, **_SIDES, **_ENDS}[direction]
    return (sign * (axis == 0), sign * (axis == 1), sign * (axis == 2))


def _directions(projection: Projection) -> tuple[str, ...]:
    turns = (t.towards for t in projection.turns if t.towards)
    return (projection.direction, *turns, *projection.exit)


def _is_possible(projection: Projection) -> bool:
    """Whether each turn is towards another axis, and the beam leaves across from where it enters.

    A skyline view may leave on the side of its first direction (CrPr-CrDiO): there the limb is
    bent.
    """
    among = _directions(projection)
    entry = [projection.direction, *(t.towards for t in projection.turns if t.towards)]
    if len(entry) != len(projection.exit) and projection.angle != 0:
        return False
    axes = [_axis(d, among) for d in entry]
    if len(set(axes)) != len(axes) or [_axis(d, among) for d in projection.exit] != axes:
        return False
    if any(t.degrees is not None and not 0 <= t.degrees < 180 for t in projection.turns):
        return False
    across = [b in _ACROSS[a].split() for a, b in zip(entry, projection.exit, strict=False)]
    skyline = len(entry) > 1 and axes[1] == 2 and entry[0] == projection.exit[0]
    return all(across[1:]) and (across[0] or skyline)


def beam(projection: Projection) -> tuple[float, float, float]:
    """Unit vector towards the tube: (dorsal or cranial, lateral, proximal).

    An angle that is not stated counts as 45 degrees.
    """
    among = _directions(projection)
    pointing = _vector(projection.direction, among)
    for turn in projection.turns:
        if not turn.towards:
            continue
        angle = math.radians(_UNSTATED_DEGREES if turn.degrees is None else turn.degrees)
        other = _vector(turn.towards, among)
        cos, sin = math.cos(angle), math.sin(angle)
        pointing = (
            cos * pointing[0] + sin * other[0],
            cos * pointing[1] + sin * other[1],
            cos * pointing[2] + sin * other[2],
        )
    return pointing


def degrees_between(one: Projection, other: Projection) -> float:
    """The angle between the two beams as lines, 0 to 90 degrees; which way they run is no matter.

    Left and right count as lateral and medial: a pelvis is seen along the same axes as its limbs.
    """
    dot = sum(a * b for a, b in zip(beam(one), beam(other), strict=True))
    return math.degrees(math.acos(min(1.0, abs(dot))))


def segments(projection: Projection) -> frozenset[str]:
    """The parts of the body whose names a label uses: fore, hind, proximal, trunk.

    "ML" may be any of them; "DPr-DDiO" fore or hind.
    """
    used = set(_directions(projection))
    if used & _OF_THE_TRUNK:
        return frozenset(("trunk",))
    for directions, part in (({"Pa"}, "fore"), ({"Pl"}, "hind"), ({"Cr", "Cd"}, "proximal")):
        if used & directions:
            return frozenset((part,))
    everywhere = ("fore", "hind", "proximal", "trunk")
    return frozenset(("fore", "hind") if "D" in used else everywhere)
