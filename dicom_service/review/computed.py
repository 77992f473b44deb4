"""What the node computed on an image and the reader accepted as a measurement."""

from typing import Annotated, Literal, Union

from pydantic import Field

from dicom_service.base import Frozen

Coordinate = Annotated[float, Field(allow_inf_nan=False, ge=-1e5, le=1e5)]
Place = tuple[Coordinate, Coordinate]
ComputedKind = Literal[
    "swelling_profile", "joint_space", "shaft_axis", "limb_measurement", "lucent_line", "fat_plane",
    "implant",
    "ball", "ruler", "fracture_angulation",
]  # fmt: skip


class Scale(Frozen):
    """An object of known size on the same image, from which the size of its pixels is taken."""

    kind: Literal["ball", "ruler"]
    points: Annotated[tuple[Place, ...], Field(max_length=2)] = ()
    true_mm: Annotated[float, Field(allow_inf_nan=False, ge=0, le=1000)] = 0.0


class Before(Frozen):
    """The same points on an image of an earlier study, set today to compare with."""

    study_uid: str = Field(max_length=64)
    view: str = Field(max_length=64)
    points: Annotated[tuple[Place, ...], Field(max_length=12)] = ()


class ComputedNumber(Frozen):
    """One number; `plus_minus` is the half width of its 95 % interval, None when not known."""

    id: str = Field(pattern=r"^[A-Za-z0-9_]{1,40}$")
    name: str = ""
    value: Annotated[float, Field(allow_inf_nan=False)]
    unit: str = Field(max_length=32)
    plus_minus: Annotated[float, Field(allow_inf_nan=False)] | None = None
    bound: Literal["", "at least", "at most"] = ""


class Shape(Frozen):
    """Geometry on the image, in points (column, row); a circle has its middle and its radius."""

    kind: Literal["line", "outline", "points", "circle"]
    name: str = ""
    points: Annotated[tuple[Place, ...], Field(max_length=400)]
    radius: Annotated[float, Field(allow_inf_nan=False, ge=0)] = 0.0


class Curve(Frozen):
    """`values` over `along`; None where nothing trustworthy was found."""

    name: str
    unit: str
    along: Annotated[tuple[float, ...], Field(max_length=400)]
    values: Annotated[tuple[float | None, ...], Field(max_length=400)]


Value = Union[float, str, "Sentence"]


class Sentence(Frozen):
    """A sentence of the node with what it is made of, for a screen in another language.

    `id` names it in `measure/data/sentences.yaml`; a value may be a sentence itself.
    """

    text: str
    id: str
    values: dict[str, Value] = Field(default_factory=dict)


class Computed(Frozen):
    """What was asked for, and what the node answered; all below `control_points` is its word.

    `name` is the id of a published measurement. The points that the reader set are those of the
    measurement itself.
    """

    kind: ComputedKind
    name: str = Field(default="", max_length=64)
    control_view: str = Field(default="", max_length=64)
    control_points: Annotated[tuple[Place, ...], Field(max_length=4)] = ()
    true_mm: Annotated[float, Field(allow_inf_nan=False, ge=0, le=1000)] = 0.0
    """Of a ball or ruler, as the reader states it."""
    scale: Scale | None = None
    before: Annotated[tuple[Before, ...], Field(max_length=8)] = ()
    """Where the reader measured the same on earlier images; it stays with the draft."""
    method: str = ""
    version: str = ""
    numbers: tuple[ComputedNumber, ...] = ()
    word: str = ""
    why: str = ""
    doubts: tuple[str, ...] = ()
    said: Annotated[tuple[Sentence, ...], Field(max_length=80)] = ()
    """What `word`, `why`, `doubts` and the names are made of; it stays with the draft."""
    shapes: Annotated[tuple[Shape, ...], Field(max_length=24)] = ()
    curves: Annotated[tuple[Curve, ...], Field(max_length=8)] = ()

    @property
    def asked(self) -> tuple[object, ...]:
        """What makes two requests the same one."""
        control = (self.control_view, self.control_points)
        return self.kind, self.name, control, self.true_mm, self.scale


KIND_NAMES: dict[str, str] = {
    "swelling_profile": "soft tissue thickness",
    "joint_space": "joint space width",
    "shaft_axis": "shaft",
    "limb_measurement": "",
    "ball": "calibration by a ball",
    "ruler": "calibration by a ruler",
    "fracture_angulation": "angulation of a fracture",
    "lucent_line": "lucent line",
    "fat_plane": "fat plane",
    "implant": "implant",
}
"""What people call it; a published measurement has its own name."""


def number_words(number: ComputedNumber) -> str:
    """A number as people write it: bound, value, 95 % uncertainty, unit."""
    unit = {"deg": "°", "1": "", "px": " pixels"}.get(number.unit, f" {number.unit}")
    digits = 1 if number.unit in ("deg", "px", "grey values", "%") else 2
    digits = 4 if number.id == "spacing" else digits
    error = f" ± {number.plus_minus:.{digits}f}" if number.plus_minus is not None else ""
    bound = f"{number.bound} " if number.bound else ""
    return f"{bound}{number.value:z.{digits}f}{error}{unit}"


def computed_name(computed: Computed) -> str:
    """What was measured, in a few words."""
    if computed.kind != "limb_measurement":
        return KIND_NAMES[computed.kind]
    return computed.numbers[0].name if computed.numbers else computed.name


def computed_words(computed: Computed) -> str:
    """The numbers that a report tells, and the word with its reason; not in every detail."""
    if not computed.numbers:
        return f"{computed_name(computed) or computed.kind} not computed yet"
    told = computed.numbers[:1] if computed.kind == "limb_measurement" else computed.numbers[:2]
    if computed.kind == "swelling_profile":
        chosen = ("thickest", "thickest_at", "skin_width", "excess")
        told = tuple(n for n in computed.numbers if n.id in chosen)
    parts = [f"{n.name} {number_words(n)}" for n in told]
    lead = KIND_NAMES[computed.kind]
    words = f"{lead}: {', '.join(parts)}" if lead else parts[0]
    if computed.word and (computed.control_view or computed.word != "cannot tell"):
        return f"{words}; {computed.word} ({computed.why})"
    if computed.word:
        return words  # nothing was compared, so that nothing is told
    return f"{words}; {computed.why.rstrip('.')}" if computed.why else words
