"""What the anatomy files say: species, regions, structures, projections, cautions, sources."""

from typing import Literal

from pydantic import Field

from dicom_service.base import Frozen
from dicom_service.codes import Code

Grade = Literal["V", "M", "C"]
"""V: the source was read; M: from memory; C: common practice or reasoned, no source."""

Section = Literal["alignment", "bone", "cartilage", "devices", "soft_tissue"]
Visibility = Literal["well", "partly", "no"]
Occasion = Literal[
    "always",
    "uncalibrated",
    "no_orthogonal",
    "view_unknown",
    "side_unknown",
    "region_unknown",
    "no_data",
]

Id = Field(pattern=r"^[a-z0-9_]{1,48}$")


class Source(Frozen):
    """A text that facts of grade V rest on."""

    id: str
    citation: str
    where: str
    seen: str
    strength: Literal["A", "B", "C"]


class VariantFact(Frozen):
    """A normal variant or pitfall, as the sentence a reader needs."""

    id: str = Id
    text: str
    source: str = Field(min_length=1)
    grade: Grade


class Closure(Frozen):
    """One published statement on when a physis closes, in months."""

    low: float | None = None
    high: float | None = None
    mean: float | None = None
    source: str = Field(min_length=1)
    grade: Grade
    age_check: Literal["yes", "no"] = "yes"
    """"no": stated for the record, never used to judge an age."""
    note: str = ""


class Shows(Frozen):
    """What each projection can show of a structure, with where that comes from."""

    views: dict[str, Visibility]
    source: str = Field(min_length=1)
    grade: Grade


class Structure(Frozen):
    """One thing to look at."""

    id: str = Id
    name: str
    section: Section
    group: str
    kind: str
    code: Code
    digit: int | None = None
    shows: Shows
    variants: tuple[VariantFact, ...] = ()
    closure: tuple[Closure, ...] = ()


class Part(Frozen):
    """A radiographed part of the limb: its standard code and the words for it."""

    id: str = Id
    name: str
    code: Code
    other_codes: tuple[tuple[str, str], ...] = ()
    words: tuple[str, ...] = ()
    species: tuple[str, ...] = ()
    """Only in these species, where it goes before the parts of all species; empty: in all."""
    replaces: tuple[str, ...] = ()
    """Parts whose words and codes mean this one in its species."""
    hind: str = ""
    """The part that is meant when the same words are said of a hindlimb."""


class Region(Frozen):
    """The structures of one part in one species."""

    species: str
    id: str = Id
    name: str
    code: Code
    structures: tuple[Structure, ...]


class View(Frozen):
    """One projection, in standard nomenclature."""

    label: str
    name: str
    code: Code
    other_codes: tuple[tuple[str, str], ...] = ()
    modifier: Code | None = None
    like: str = ""
    borders: tuple[str, ...] = ()
    orthogonal: tuple[str, ...] = ()
    words: tuple[str, ...] = ()


class WantedView(Frozen):
    """A view that a set asks for: one of `any` is enough."""

    any: tuple[str, ...] = Field(min_length=1)
    take: str = Field(min_length=1)
    """What a technician is asked to take."""
    part: str = ""
    """Needed for this part of a large region only; empty: for all of it."""


class SetNote(Frozen):
    """A sentence on the views of a region, with where it comes from."""

    text: str
    source: str = Field(min_length=1)
    grade: Grade


class ViewSet(Frozen):
    """The views that a region needs at least in some species, and what is taken beyond them."""

    id: str = Id
    species: tuple[str, ...] = Field(min_length=1)
    region: str
    minimum: tuple[WantedView, ...] = Field(min_length=1)
    optional: tuple[WantedView, ...] = ()
    notes: tuple[SetNote, ...] = ()
    limit: str = ""
    """Why no second view at a right angle can be expected; empty: it can."""
    source: str = "Common practice"
    grade: Grade = "C"


class WholeLimb(Frozen):
    """Words for a whole limb, and its parts in all species, proximal first."""

    id: str = Id
    name: str
    words: tuple[str, ...]
    parts: tuple[str, ...] = Field(min_length=1)


class Species(Frozen):
    """A species: its standard code, the words for it, its breeds of late physeal closure."""

    id: str = Id
    name: str
    code: Code
    other_codes: tuple[tuple[str, str], ...] = ()
    words: tuple[str, ...] = ()
    late_closure: tuple[str, ...] = ()


class Caution(Frozen):
    """A sentence that limits what the report can claim, and when it applies."""

    id: str = Id
    when: Occasion
    text: str
