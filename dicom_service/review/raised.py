"""Rule-outs and cautions that a study raises by its parts, animal, question and images."""

from collections.abc import Sequence

from dicom_service.anatomy import Atlas, Condition, Signal
from dicom_service.anatomy.words import tokens
from dicom_service.intake.model import Signalment, StudyFacts
from dicom_service.review.model import RuleOutCandidate

_SHORT = 3
"""Letters of a trigger that must be the whole word: "ed" is not the beginning of "edema"."""

_GRADES = {"V": "", "M": " (from memory)", "C": " (common practice)"}


def rule_outs(
    known: Atlas, facts: StudyFacts, regions: Sequence[str]
) -> tuple[RuleOutCandidate, ...]:
    """The conditions that this study raises, each with the reason why."""
    species = facts.signalment.species
    if species is None or not regions:
        return ()
    found = []
    for condition in known.conditions(species, regions):
        why = _why(condition, facts)
        if why:
            found.append(
                RuleOutCandidate(
                    id=condition.id,
                    name=condition.name,
                    code=condition.code,
                    why=why,
                    limits=condition.limits,
                    next_steps=step_names(known, condition),
                )
            )
    return tuple(found)


def _why(condition: Condition, facts: StudyFacts) -> str:
    reasons = []
    word = _asked(condition, facts.question)
    if word:
        reasons.append(f"the question says “{word}”")
    reasons += [why for signal in condition.signals if (why := _shown(signal, facts.signalment))]
    if condition.routine:
        reasons.append("always considered here")
    return "; ".join(reasons)


def step_names(known: Atlas, condition: Condition) -> tuple[str, ...]:
    """The next steps of `condition` as sentences."""
    steps = [known.next_step(identity) for identity in condition.next_steps]
    return tuple(f"{step.name}." for step in steps if step)


def _shown(signal: Signal, animal: Signalment) -> str:
    """What of the animal meets `signal`, with the grade where no source was read; "" if not all."""
    met = []
    if signal.age_months is not None:
        low, high = signal.age_months
        if animal.age_months is None or not low <= animal.age_months <= high:
            return ""
        met.append(f"age {animal.age_months:.0f} months")
    if signal.breeds:
        breed = next((b for b in signal.breeds if _begins(b, animal.breed)), "")
        if not breed:
            return ""
        met.append(f"breed {animal.breed.strip()}")
    if signal.sex:
        if animal.sex != signal.sex:
            return ""
        met.append({"M": "male", "F": "female"}[signal.sex])
    if signal.neutered is not None:
        if animal.neutered is not signal.neutered:
            return ""
        met.append("neutered" if signal.neutered else "not neutered")
    return f"{', '.join(met)}{_GRADES[signal.grade]}"


def _asked(condition: Condition, question: str) -> str:
    """The first word or phrase of `question` that begins like a trigger of `condition`."""
    return next((said for word in condition.words if (said := _begins(word, question))), "")


def _begins(trigger: str, text: str) -> str:
    """The words of `text` that begin like `trigger`; short ones (up to 3 letters) must equal it."""
    asked, wanted = tokens(text), tokens(trigger)
    for at in range(len(asked) - len(wanted) + 1):
        part = asked[at : at + len(wanted)]
        last = part[-1] == wanted[-1] or (
            len(wanted[-1]) > _SHORT and part[-1].startswith(wanted[-1])
        )
        if part[:-1] == wanted[:-1] and last:
            return " ".join(part)
    return ""


def cautions(known: Atlas, facts: StudyFacts, regions: Sequence[str]) -> tuple[str, ...]:
    """The sentences that limit what a report of this study can claim."""
    images = facts.images
    species = facts.signalment.species
    stated = [r for r in regions if r != known.unspecified.id]
    views = {image.view for image in images}
    found = list(known.cautions("always"))
    if any(image.spacing.kind != "fiducial" for image in images):
        found += known.cautions("uncalibrated")
    if any(known.view(v) and not any(known.are_orthogonal(v, o) for o in views) for v in views):
        found += known.cautions("no_orthogonal")
    if any(known.view(v) is None for v in views):
        found += known.cautions("view_unknown")
    if any(image.side == "U" for image in images):
        found += known.cautions("side_unknown")
    if len(stated) < len(regions):
        found += known.cautions("region_unknown")
    if any(known.region(species, region) is None for region in stated):
        found += known.cautions("no_data")
    return tuple(found)
