"""What is expected of a physis at an age, by what was published on its closure.

The rule: the widest range over all rows with both limits, leaving out rows that are kept for the
record only (`age_check: no`). A range that rests on memory alone never says "open" or "closed".
Late closure is not expected against a neutered animal, nor within 3 months above the range in
breeds of late closure or when the breed is not stated.
"""

from collections.abc import Sequence
from typing import Literal, NamedTuple

from dicom_service.anatomy import Closure, Species, Structure
from dicom_service.anatomy.words import folded
from dicom_service.intake.model import Signalment
from dicom_service.review.model import PhysisCheck

Expected = Literal["open", "closed", "either", "unknown"]
LATE_BREED_MONTHS = 3.0


class AgeRange(NamedTuple):
    """The widest published range of closure, and what it rests on."""

    low: float
    high: float
    verified: bool
    source: str


def closure_range(rows: Sequence[Closure]) -> AgeRange | None:
    """The widest range of the rows that may judge an age; None when there is none."""
    usable = [r for r in rows if r.age_check == "yes" and r.low is not None and r.high is not None]
    if not usable:
        return None
    return AgeRange(
        low=min(r.low for r in usable if r.low is not None),
        high=max(r.high for r in usable if r.high is not None),
        verified=any(r.grade == "V" for r in usable),
        source="; ".join(dict.fromkeys(r.source for r in usable)),
    )


def latest_closure(structure: Structure) -> float | None:
    """The latest month that any row states, including those that may not judge an age."""
    stated = [v for row in structure.closure for v in (row.high, row.mean) if v is not None]
    return max(stated, default=None)


def late_breed(animal: Signalment, species: Species | None) -> bool:
    """Whether closure up to 3 months past the range is to be allowed for."""
    if not animal.breed.strip():
        return True
    breed = folded(animal.breed)
    return species is not None and any(folded(name) in breed for name in species.late_closure)


def physis_check(structure: Structure, animal: Signalment, species: Species | None) -> PhysisCheck:
    """What is expected of `structure` in `animal`."""
    known = closure_range(structure.closure)
    if known is None:
        means = [r for r in structure.closure if r.mean is not None]
        text = f"Only a mean of closure is known ({means[0].mean:g} months)." if means else ""
        source = "; ".join(dict.fromkeys(r.source for r in means))
        return PhysisCheck(
            expected="unknown",
            text=text or "No range of closure is known.",
            source=source,
            grade=means[0].grade if means else "",
        )
    expected, text = _judge(known, animal, late_breed(animal, species))
    grade = "V" if known.verified else "M"
    return PhysisCheck(expected=expected, text=text, source=known.source, grade=grade)


def _judge(known: AgeRange, animal: Signalment, late: bool) -> tuple[Expected, str]:
    span = f"Closes at {known.low:g} to {known.high:g} months"
    age = animal.age_months
    if age is None:
        return "unknown", f"{span}; the age is not stated."
    if not known.verified:
        inside = known.low <= age <= known.high
        text = f"{span} (from memory only, so no age is judged by it)."
        return ("either" if inside else "unknown"), text
    if age < known.low:
        text = f"{span}; expected open at {age:.1f} months. If closed, compare the other limb."
        return "open", text
    if age <= known.high:
        return "either", f"{span}; may be open or closed at {age:.1f} months."
    if animal.neutered:
        return "either", f"{span}; later closure is common in neutered animals."
    if late and age <= known.high + LATE_BREED_MONTHS:
        return (
            "either",
            f"{span}; up to 3 months later in giant breeds (giant or breed not stated).",
        )
    return "closed", f"{span}; expected closed at {age:.1f} months."


def all_closed(physes: Sequence[Structure], animal: Signalment) -> PhysisCheck | None:
    """The one check that stands for all physes when the age is past everything published.

    None unless the age is known and more than 3 months past the latest month of any row.
    """
    latest = [latest_closure(s) for s in physes]
    known = [month for month in latest if month is not None]
    if animal.age_months is None or not known or len(known) < len(latest):
        return None
    ceiling = max(known)
    if animal.age_months <= ceiling + LATE_BREED_MONTHS:
        return None
    rows = [row for s in physes for row in s.closure]
    ranges = [closure_range(s.closure) for s in physes]
    text = f"All are past the latest closure published ({ceiling:g} months)"
    text += "; later closure is common in neutered animals." if animal.neutered else "."
    return PhysisCheck(
        expected="either" if animal.neutered else "closed",
        text=text,
        source="; ".join(dict.fromkeys(row.source for row in rows)),
        grade="V" if all(r is not None and r.verified for r in ranges) else "M",
    )
