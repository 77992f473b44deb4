"""The published measurements of the limbs: how each is constructed, and what was found in whom."""

import re
from functools import cache, reduce
from importlib import resources
from typing import Any, Literal

import yaml
from pydantic import Field

from dicom_service.base import Frozen
from dicom_service.errors import Refused
from dicom_service.measure.population import Animal, Population, fit
from dicom_service.measure.said import Said, say

ALIKE: tuple[frozenset[str], ...] = (
    frozenset({"ML", "LM"}),
    frozenset({"CrCd", "CdCr", "DPa", "PaD", "DPl", "PlD"}),
    frozenset({"VD", "DV"}),
)
"""Views that show the same picture, whether from the front or from behind."""


class Term(Frozen):
    """One summand of a combined measurement: `names` gives its landmarks other names."""

    entry: str
    factor: float
    names: dict[str, str] = Field(default_factory=dict)


class Construction(Frozen):
    """How a value comes from two vectors, each from one landmark to another.

    `angle` is between the vectors, `side_angle` from the first to the second through the side on
    which the landmark `side` lies (0 to 360), `ratio` that of their lengths, `distance` the length
    of the first, `along` and `across` its part along and across the second; `sum` adds the values
    of other entries (`terms`). `contour` names vectors that are shaft axes.
    """

    kind: Literal["angle", "side_angle", "ratio", "distance", "along", "across", "sum"]
    first: tuple[str, ...] = ()
    second: tuple[str, ...] = ()
    side: str = ""
    then: Literal["angle", "90 - angle", "angle - 90", "180 - angle", "angle - 180", "signed"] = (
        "angle"
    )
    contour: tuple[Literal["first", "second"], ...] = ()
    terms: tuple[Term, ...] = ()

    def landmarks(self) -> tuple[str, ...]:
        """The landmarks in the order in which they are clicked, each once."""
        names = [*self.first, *self.second, *([self.side] if self.side else [])]
        for term in self.terms:
            rule = entry(term.entry).construction
            names += [term.names.get(n, n) for n in (rule.landmarks() if rule else ())]
        return tuple(dict.fromkeys(names))

    def lines(self) -> tuple[tuple[str, str], ...]:
        """The landmarks that are joined, each pair once."""
        pairs = [(part[0], part[1]) for part in (self.first, self.second) if len(part) == 2]
        for term in self.terms:
            rule = entry(term.entry).construction
            for one, other in rule.lines() if rule else ():
                pairs.append((term.names.get(one, one), term.names.get(other, other)))
        return tuple(dict.fromkeys(pairs))


class Reference(Frozen):
    """A published value in one population."""

    species: str
    population: str = ""
    who: Population = Population()
    mean: float | None = None
    sd: float | None = None
    lo: float | None = None
    hi: float | None = None
    unit: str = ""
    grade: Literal["V", "M", "C"]
    source: str = ""
    note: str = ""


class Entry(Frozen):
    """One measurement of the catalogue."""

    id: str
    name: str
    region: str
    view: str
    section: str = "alignment"
    """Of the search pattern; how bones stand to each other is most of what is published."""
    landmarks: str = ""
    formula: str = ""
    traps: str = ""
    construction: Construction | None = None
    refs: tuple[Reference, ...] = ()

    @property
    def said(self) -> Said:
        """Its name as a sentence of its own."""
        return Said(self.name, f"entry.{self.id}")

    @property
    def views(self) -> frozenset[str]:
        """Labels of the views that its definition names, and of those that show the same."""
        said = set(re.findall(r"[A-Za-z]+", self.view))
        return frozenset(v for group in ALIKE if said & group for v in group)


@cache
def catalogue() -> dict[str, Entry]:
    """All measurements by their id."""
    text = resources.files(__package__).joinpath("data/measurements.yaml").read_text("utf-8")
    rows: list[Any] = yaml.safe_load(text)["measurements"]
    return {row["id"]: Entry.model_validate(row) for row in rows}


def entry(name: str) -> Entry:
    """The measurement with this id."""
    found = catalogue().get(name)
    if found is None:
        raise Refused(f"There is no measurement called '{name}'.")
    return found


@cache
def _explanations() -> dict[str, str]:
    text = resources.files(__package__).joinpath("data/landmarks.yaml").read_text("utf-8")
    found: dict[str, str] = yaml.safe_load(text)["landmarks"]
    return found


def explained(name: str) -> dict[str, str]:
    """Where to click each landmark of a measurement, in the order of its construction."""
    rule = entry(name).construction
    return {n: _explanations()[n] for n in (rule.landmarks() if rule else ())}


def comparison(found: Entry, animal: Animal | str, value: float, plus_minus: float) -> Said:
    """What `value` is beside the published values of animals like this one, as a sentence.

    Only verified values with a mean and a standard deviation are compared with, none of another
    breed, size or sex; when they disagree, the sentence says that it depends on the population.
    """
    like = Animal(species=animal) if isinstance(animal, str) else animal
    refs = [
        (fit(r.who, like), r) for r in found.refs
        if r.species == like.species and r.grade == "V" and r.mean is not None and r.sd
    ]  # fmt: skip
    if not refs:
        return say("published.none", species=like.species)
    right = [r for f, r in refs if f == "fits"]
    sure = bool(right)
    right = right or [r for f, r in refs if f == "unknown"]
    if not right:
        return say("published.others", animal=like.breed or like.species)
    parts = [_beside(ref, value, plus_minus) for ref in right]
    what = reduce(lambda one, other: say("published.both", one=one, other=other), parts)
    if len({part.id for part in parts}) > 1:
        what = say("published.depends", what=what)
    return say("published.sure", what=what) if sure else say("published.unsure", what=what)


def _beside(ref: Reference, value: float, plus_minus: float) -> Said:
    """The value beside one published mean and its two standard deviations."""
    mean, spread = ref.mean or 0.0, 2 * (ref.sd or 0.0)
    away = abs(value - mean)
    who: Said | str = ref.source
    if ref.population:
        who = say("published.who", source=ref.source, population=ref.population)
    if away + plus_minus <= spread:
        return say("published.within", mean=mean, spread=spread, who=who)
    if away - plus_minus > spread:
        return say("published.outside", mean=mean, spread=spread, who=who)
    return say("published.limit", mean=mean, spread=spread, who=who)
