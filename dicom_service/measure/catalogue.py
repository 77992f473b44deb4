"""The published measurements of the limbs: how each is constructed, and what was found in whom."""

from functools import cache
from importlib import resources
from typing import Any, Literal

import yaml

from dicom_service.base import Frozen
from dicom_service.errors import Refused


class Construction(Frozen):
    """An angle between two vectors, or the ratio of their lengths; landmarks by name."""

    kind: Literal["angle", "ratio"]
    first: tuple[str, str]
    second: tuple[str, str]
    then: Literal["angle", "90 - angle", "angle - 90"] = "angle"
    contour: tuple[Literal["first", "second"], ...] = ()

    def landmarks(self) -> tuple[str, ...]:
        """The landmarks in the order in which they are clicked, each once."""
        return tuple(dict.fromkeys((*self.first, *self.second)))


class Reference(Frozen):
    """A published value in one population."""

    species: str
    population: str = ""
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
    landmarks: str = ""
    formula: str = ""
    traps: str = ""
    construction: Construction | None = None
    refs: tuple[Reference, ...] = ()


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


def comparison(found: Entry, species: str, value: float, plus_minus: float) -> str:
    """What `value` is beside the published values of this species, as a sentence.

    Only verified values with a mean and a standard deviation are compared with; when they
    disagree about the value, the sentence says that it depends on the population.
    """
    refs = [
        r for r in found.refs
        if r.species == species and r.grade == "V" and r.mean is not None and r.sd
    ]  # fmt: skip
    if not refs:
        return f"No verified mean with standard deviation is known for the {species}."
    parts, verdicts = [], set()
    for ref in refs:
        mean, sd = ref.mean or 0.0, ref.sd or 0.0
        verdict = _verdict(abs(value - mean), sd, plus_minus)
        verdicts.add(verdict)
        who = f" ({ref.population})" if ref.population else ""
        parts.append(f"{verdict} {mean:g} ± {2 * sd:.2g} (mean ± 2 SD) of {ref.source}{who}")
    lead = "" if len(verdicts) == 1 else "Depends on the population: "
    return f"{lead}{'; '.join(parts)}."


def _verdict(away: float, sd: float, plus_minus: float) -> str:
    if away + plus_minus <= 2 * sd:
        return "within"
    return "outside" if away - plus_minus > 2 * sd else "not separable from the limit of"
