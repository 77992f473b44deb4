"""Rule-outs and cautions that a study raises by its parts, animal, question and images."""

from collections.abc import Sequence

from dicom_service.anatomy import Atlas, Condition
from dicom_service.anatomy.words import tokens
from dicom_service.intake.model import StudyFacts
from dicom_service.review.model import RuleOutCandidate


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
                    next_steps=condition.next_steps,
                )
            )
    return tuple(found)


def _why(condition: Condition, facts: StudyFacts) -> str:
    reasons = []
    word = _asked(condition, facts.question)
    if word:
        reasons.append(f"the question says “{word}”")
    age = facts.signalment.age_months
    if age is not None and condition.age_months is not None:
        low, high = condition.age_months
        if low <= age <= high:
            reasons.append(f"age {age:.0f} months")
    if condition.routine:
        reasons.append("always considered here")
    return "; ".join(reasons)


def _asked(condition: Condition, question: str) -> str:
    """The first word or phrase of `question` that begins like a trigger of `condition`."""
    asked = tokens(question)
    for trigger in condition.words:
        wanted = tokens(trigger)
        for at in range(len(asked) - len(wanted) + 1):
            part = asked[at : at + len(wanted)]
            if part[:-1] == wanted[:-1] and part[-1].startswith(wanted[-1]):
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
