"""Builds a limb from its data file: bones in their chain, growth plates, lesions, soft tissue."""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field, replace
from typing import Any

import numpy as np

from test_pacs.phantom._scipy import interpolate
from test_pacs.phantom.lesions import Fixed, changed
from test_pacs.phantom.parts import Part, Piece, Tissue, lathe
from test_pacs.phantom.plan import BodyPlan, Fracture, Species, Swelling
from test_pacs.phantom.shapes import Size, bone_frame, load, make_piece, turned
from test_pacs.phantom.solids import Array, ellipsoid

Point = tuple[float, float, float]
FILES: dict[Species, str] = {
    "dog": "dog_forelimb.yaml", "cat": "cat_forelimb.yaml", "horse": "horse_digit.yaml",
}  # fmt: skip


@dataclass(frozen=True)
class Limb:
    """The finished body: pieces, named joints and sites in limb mm."""

    pieces: tuple[Piece, ...]
    landmarks: dict[str, Point]

    def bones(self) -> tuple[Piece, ...]:
        """The bones and bone fragments."""
        return tuple(piece for piece in self.pieces if piece.tissue == "bone")

    def union(self, tissue: Tissue) -> Piece:
        """All pieces of one soft tissue layer as one."""
        chosen = [piece for piece in self.pieces if piece.tissue == tissue]
        return Piece(tissue, tissue, tuple(part for piece in chosen for part in piece.parts))


@dataclass
class _Workshop:
    """The limb while it is being put together."""

    plan: BodyPlan
    data: Any
    pieces: dict[str, Piece] = field(default_factory=dict)
    carried: dict[str, Array] = field(default_factory=dict)
    """For a broken bone: what moved its distal end, and all that hangs on it."""
    landmarks: dict[str, Point] = field(default_factory=dict)
    fragments: dict[str, list[Piece]] = field(default_factory=dict)

    def __post_init__(self) -> None:
        young = self.plan.age_months < 10
        self.shell = 0.8 if young else 1.0

    def add(self, name: str, shape: str, frame: Array, length: float, width: float) -> None:
        """Makes a bone."""
        size = Size(length, width, self.shell)
        piece = make_piece(name, self.data["shapes"][shape], size, frame)
        self.pieces[name] = piece
        for fracture in self.plan.fractures:
            if fracture.bone == name:
                self._break(piece, fracture)

    def _break(self, piece: Piece, fracture: Fracture) -> None:
        site = np.array([0, 0, fracture.at * piece.length, 1])
        slope = np.radians(fracture.tilt)
        normal = np.array([np.sin(slope), 0, np.cos(slope)])
        middle = float(normal @ site[:3])
        to_local = np.linalg.inv(piece.frame)
        upper = np.array([*normal, -(middle - fracture.gap / 2)]) @ to_local
        lower = np.array([*-normal, middle + fracture.gap / 2]) @ to_local
        bend = turned((0, fracture.bend, 0), (fracture.shift, 0, 0))
        about = turned((0, 0, 0), site[:3].tolist())
        motion = piece.frame @ about @ bend @ np.linalg.inv(about) @ to_local
        self.carried[piece.name] = motion
        distal = piece.clipped(lower.tolist()).moved(motion)
        self.fragments[piece.name] = [piece.clipped(upper.tolist()), distal]
        self.landmarks[f"fracture_{piece.name}"] = _point(piece.frame @ site)

    def end_of(self, name: str, gap: float) -> Point:
        """Where the next bone begins."""
        piece = self.pieces[name]
        end = piece.frame @ np.array([0, 0, piece.length + gap, 1])
        return _point(self.carried.get(name, np.eye(4)) @ end)

    def frame_on(self, name: str, at: Point) -> Array:
        """A frame in another bone's coordinates, following its distal fragment."""
        return np.asarray(
            self.carried.get(name, np.eye(4)) @ self.pieces[name].frame @ turned((0, 0, 0), at)
        )


def _point(homogeneous: Array) -> Point:
    return float(homogeneous[0]), float(homogeneous[1]), float(homogeneous[2])


def build(plan: BodyPlan) -> Limb:
    """The limb that a plan describes."""
    shop = _Workshop(plan, load(FILES[plan.species]))
    _free_bones(shop)
    for number, digit in shop.data["digits"].items():
        _digit(shop, number, digit)
    for row in shop.data.get("attached", ()):
        at = Size(shop.pieces[row["bone"]].length).point(row["at"])
        shop.add(row["name"], row["shape"], shop.frame_on(row["bone"], at), 0.0, 1.0)
    for name, at in shop.data["joints"].items():
        shop.landmarks[name] = (float(at[0]), float(at[1]), float(at[2]))
    for name, piece in shop.pieces.items():
        shop.landmarks[name] = piece.centre
    for number, lesion in enumerate(plan.lesions):
        if not isinstance(lesion, Fixed) and lesion.bone in shop.pieces:
            spot = shop.frame_on(lesion.bone, lesion.at)[:, 3]
            shop.landmarks[f"lesion_{number}"] = _point(spot)
    soft = [*_limb_layers(shop), *_pads(shop), *_toes(shop)]
    _growth_plates(shop)
    _check_names(shop)
    bones: list[Piece] = []
    for name, piece in shop.pieces.items():
        own = tuple(lesion for lesion in plan.lesions if lesion.bone == name)
        bones += [changed(part, own) for part in shop.fragments.get(name, [piece])]
        soft += [x.metal.piece().moved(piece.frame) for x in own if isinstance(x, Fixed)]
    size = plan.size * shop.data.get("scale", 1.0)
    scale = np.diag([size, size, size, 1.0])
    balls = [ball.piece() for ball in plan.balls]
    pieces = (*(_scaled(piece, scale) for piece in (*soft, *bones)), *balls)
    return Limb(pieces, {k: _point(scale @ np.array([*v, 1])) for k, v in shop.landmarks.items()})


def _scaled(piece: Piece, scale: Array) -> Piece:
    return piece if scale[0, 0] == 1 else piece.moved(scale)


def _check_names(shop: _Workshop) -> None:
    unknown = {f.bone for f in shop.plan.fractures} - set(shop.pieces)
    unknown |= {s.joint for s in shop.plan.swellings} - set(shop.landmarks)
    unknown |= {lesion.bone for lesion in shop.plan.lesions} - set(shop.pieces)
    unknown |= {joint for joint, _ in shop.plan.narrowed} - set(shop.landmarks)
    unknown |= {str(n) for n in shop.plan.bipartite if f"sesamoid_{n}" not in shop.pieces}
    if unknown:
        raise ValueError(f"the body has no bone, joint or sesamoid called {sorted(unknown)}")


def _free_bones(shop: _Workshop) -> None:
    for row in shop.data["bones"]:
        frame = bone_frame(row["at"], row.get("splay", 0), row.get("flex", 0))
        width = row.get("width", 1.0)
        if shop.plan.age_months < 10 and row["name"].startswith(("carpal", "radial", "ulnar")):
            width *= 0.93  # the rim of a young carpal bone is still cartilage
        shop.add(row["name"], row["shape"], frame, row.get("length", 0.0), width)


def _digit(shop: _Workshop, number: str, digit: Any) -> None:
    data, parent, width = shop.data, digit["after"], digit["width"]
    joints = ("MCP", "PIP", "DIP") if digit["lengths"][1] else ("MCP", "", "IP")
    names = ("proximal_phalanx", "middle_phalanx", "distal_phalanx")
    metacarpal = parent
    for index, length in enumerate(digit["lengths"]):
        if not length:
            continue
        lost = dict(shop.plan.narrowed).get(f"{joints[index]}{number}", 0.0)
        gap = data["joint_gaps"].get(joints[index], 0.4) - lost
        shop.landmarks[f"{joints[index]}{number}"] = shop.end_of(parent, gap / 2)
        pivot = data.get("pivots", {}).get(joints[index], 0.0)
        frame = bone_frame(shop.end_of(parent, gap - pivot), digit["splay"],
                           digit["flex"][index] - shop.plan.flexion)  # fmt: skip
        if parent in shop.carried:
            turn = shop.carried[parent].copy()
            turn[:3, 3] = 0
            at = frame[:3, 3].copy()
            frame[:3, 3] = 0
            frame = turn @ frame
            frame[:3, 3] = at
        # a bone that turns about the middle of the condyle stays on its round
        frame[:3, 3] += pivot * frame[:3, 2]
        name = f"p{index + 1}_{number}"
        shop.add(name, names[index], frame, length, width)
        if parent in shop.carried:
            shop.carried.setdefault(name, np.eye(4))
        parent = name
    _sesamoids(shop, number, digit, metacarpal)


def _sesamoids(shop: _Workshop, number: str, digit: Any, metacarpal: str) -> None:
    data, width = shop.data, digit["width"]
    along = shop.pieces[metacarpal].length + data["sesamoid_along"] * width
    first = {"1": 0, "2": 1, "3": 3, "4": 5, "5": 7}[number]
    for index, (u, v) in enumerate(digit["sesamoids"]):
        name = f"sesamoid_{first + index}" if first else "sesamoid_digit1"
        frame = shop.frame_on(metacarpal, (u * width, v * width, along))
        shop.add(name, "sesamoid", frame, 0.0, width)
        if first + index in shop.plan.bipartite:
            shop.fragments[name] = _split(shop.pieces[name])
    row = data["dorsal_sesamoid"]
    if number in row["digits"] and shop.plan.age_months >= 4:
        at = Size(shop.pieces[metacarpal].length, width).point(row["at"])
        shop.add(f"dorsal_sesamoid_{number}", "ossicle", shop.frame_on(metacarpal, at), 0.0, 1.0)


def _split(piece: Piece, gap: float = 0.7) -> list[Piece]:
    to_local = np.linalg.inv(piece.frame)
    upper = np.array([0.2, 0, 1, gap / 2 - 0.4]) @ to_local
    lower = np.array([-0.2, 0, -1, gap / 2 + 0.4]) @ to_local
    return [piece.clipped(upper.tolist(), 0.35), piece.clipped(lower.tolist(), 0.35)]


def _growth_plates(shop: _Workshop) -> None:
    for row in shop.data["physes"]:
        piece = shop.pieces[row["bone"]]
        if shop.plan.age_months >= row["closes"] or piece.name in shop.fragments:
            continue
        at = row["from_start"] if "from_start" in row else piece.length - row["from_end"]
        # a plate narrows over the last third of its life
        gap = row["gap"] * min(1.0, 3 * (1 - shop.plan.age_months / row["closes"]) + 0.25)
        shop.fragments[piece.name] = _with_plate(piece, at, gap, row.get("cone", 0.0))
        shop.landmarks[f"physis_{piece.name}"] = _point(piece.frame @ np.array([0, 0, at, 1]))


def _with_plate(piece: Piece, at: float, gap: float, cone: float) -> list[Piece]:
    """Cuts a bone at a growth plate, flat or (`cone` > 0) pointing distally like the ulna's."""
    to_local = np.linalg.inv(piece.frame)
    slopes = [(s, 0.0) for s in (cone, -cone)] + [(0.0, s) for s in (cone, -cone)]
    normals = [np.array([a, b, 1.0]) for a, b in (slopes if cone else [(0.0, 0.0)])]
    metaphysis, epiphysis = piece, []
    for normal in normals:
        unit = normal / np.linalg.norm(normal)
        reach = at * unit[2]
        metaphysis = metaphysis.clipped(
            (np.array([*unit, -(reach - gap / 2)]) @ to_local).tolist(), 0.45
        )
        lower = (np.array([*-unit, reach + gap / 2]) @ to_local).tolist()
        epiphysis += [part.clipped(lower, 0.4) for part in piece.parts]
    return [metaphysis, replace(piece, parts=tuple(epiphysis))]


def _limb_layers(shop: _Workshop) -> Iterable[Piece]:
    row = shop.data["soft_tissue"][0]
    table = np.array(row["stations"], float)
    z = np.arange(table[0, 0], table[-1, 0] + 0.1, 4.0)
    columns = [np.interp(z, table[:, 0], table[:, i]) for i in (1, 2, 3)]
    _widen(shop, z, columns, row["aspect"])
    for tissue, depth in row["layers"].items():
        radius = np.maximum(columns[0] - depth, 0.5)
        stations = np.column_stack([z, radius, columns[1], columns[2]]).tolist()
        yield Piece(f"limb_{tissue}", tissue, tuple(lathe(stations, row["aspect"], most=56)))


def _widen(shop: _Workshop, z: Array, columns: list[Array], aspect: float) -> bool:
    """Adds the limb's swellings to a tube's half width and middle; whether there are any here."""
    most = 0.0
    for swelling, bulge in _bulges(shop, z):
        most = max(most, float(bulge.max()))
        half = 0.5 * bulge
        if swelling.dorsal_only:
            columns[0] = columns[0] + half / aspect
            columns[2] = columns[2] + half
        elif swelling.lateral_only:
            columns[0] = columns[0] + half
            columns[1] = columns[1] + half
        else:
            columns[0] = columns[0] + bulge
    return most > 0.05


def _bulging(
    shop: _Workshop, stations: Sequence[Sequence[float]], aspect: float, place: Array
) -> list[Part] | None:
    """The tube of a toe with the limb's swellings that reach it; None: none does."""
    table = np.array(stations, float)
    along = np.arange(table[0, 0], table[-1, 0] + 0.1, 4.0)
    smooth = interpolate.PchipInterpolator(table[:, 0], table[:, 1:])(along)
    columns = [smooth[:, i] for i in range(3)]
    z = place[2, 3] + along * place[2, 2]
    if not _widen(shop, z, columns, aspect):
        return None
    return lathe(np.column_stack([along, *columns]).tolist(), aspect, most=40)


def _bulges(shop: _Workshop, z: Array) -> Iterable[tuple[Swelling, Array]]:
    """The swellings of the limb's own joints, and their height at these places along it."""
    for swelling in shop.plan.swellings:
        if _of_limb(shop, swelling):
            away = (z - shop.landmarks[swelling.joint][2] - swelling.shift) / swelling.reach
            yield swelling, swelling.extra * np.exp(-(away**2))


def _of_limb(shop: _Workshop, swelling: Swelling) -> bool:
    """Whether a swelling is of the limb, not of one toe."""
    joint = shop.landmarks.get(swelling.joint)
    return bool(joint and joint[2] < 70)


def _pads(shop: _Workshop) -> Iterable[Piece]:
    for row in shop.data["soft_tissue"][1:]:
        if "stations" in row:
            yield Piece(row["name"], "skin", tuple(_palmar(shop, row)))
            continue
        solid = ellipsoid(row["semi"]).moved(turned((0, 0, 0), row["at"]))
        yield Piece(row["name"], "skin", (Part(solid),))


def _palmar(shop: _Workshop, row: Any) -> list[Part]:
    """A tube of soft tissue along the limb; a swelling on all sides widens it, too."""
    table = np.array([[*station, 0.0, 0.0][:4] for station in row["stations"]], float)
    if not shop.plan.swellings:
        return lathe(table.tolist(), row["aspect"])
    z = np.arange(table[0, 0], table[-1, 0] + 0.1, 4.0)
    columns = [np.interp(z, table[:, 0], table[:, i]) for i in (1, 2, 3)]
    for swelling, bulge in _bulges(shop, z):
        if not (swelling.lateral_only or swelling.dorsal_only):
            # towards its ends the tube lies within the limb
            inside = np.interp(columns[0], (3.0, 9.0), (0.0, 1.0))
            columns[0] = columns[0] + inside * bulge
    return lathe(np.column_stack([z, *columns]).tolist(), row["aspect"], most=40)


def _toes(shop: _Workshop) -> Iterable[Piece]:
    toe = shop.data["toe"]
    for number, digit in shop.data["digits"].items():
        extra = sum(
            s.extra
            for s in shop.plan.swellings
            if s.joint in (f"MCP{number}", f"PIP{number}") and not _of_limb(shop, s)
        )
        reach = max((s.reach for s in shop.plan.swellings), default=1.0)
        for bone, shape in (("p1", "p1"), ("p2", "p2"), ("p3", "p3"), ("p3", "horn")):
            piece = shop.pieces.get(f"{bone}_{number}")
            if piece is None:
                continue
            rows = _swollen(toe[shape]["stations"], extra if shape != "horn" else 0, reach, bone)
            stations = Size(piece.length, digit["width"]).stations(rows)
            place = shop.carried.get(piece.name, np.eye(4)) @ piece.frame
            aspect = toe[shape]["aspect"]
            parts = None if shape == "horn" else _bulging(shop, stations, aspect, place)
            yield Piece(f"toe_{shape}_{number}", "skin",
                        tuple(parts or lathe(stations, aspect))).moved(place)  # fmt: skip
        middle = shop.pieces.get(f"p2_{number}") or shop.pieces[f"p1_{number}"]
        size = Size(middle.length, digit["width"])
        carried = shop.carried.get(middle.name, np.eye(4))
        for name in ("pad", "knuckle"):
            solid = ellipsoid([v * digit["width"] for v in toe[name]["semi"]])
            place = carried @ middle.frame @ turned((0, 0, 0), size.point(toe[name]["at"]))
            yield Piece(f"{name}_{number}", "skin", (Part(solid.moved(place)),))


def _swollen(
    rows: Sequence[Sequence[float]], extra: float, reach: float, bone: str
) -> list[list[float]]:
    """Wider stations: a swollen toe is widest about its proximal interphalangeal joint."""
    middle = {"p1": 20.0, "p2": 0.0, "p3": -18.0}[bone]
    out = []
    for row in rows:
        along = row[0] * 20 + row[1] - middle
        out.append(
            [row[0], row[1], row[2] + extra * float(np.exp(-((along / reach) ** 2))), *row[3:]]
        )
    return out
