"""How aggressive a bone lesion looks, from the features that a reader described.

Each feature speaks by the table in anatomy/data/aggressiveness.yaml. Together, the first of these
that holds counts: two aggressive features, or one that nothing contradicts, are aggressive; one
against non-aggressive features is indeterminate; so are features that say neither. Only
non-aggressive features are non-aggressive. The reader's own word overrules all of it.
"""

from collections.abc import Mapping, Sequence

from dicom_service.anatomy import AggressivenessRule, Atlas
from dicom_service.anatomy import atlas as default_atlas
from dicom_service.base import Frozen
from dicom_service.review.grades import weakest
from dicom_service.review.model import Finding

WORDS: Mapping[str, str] = {
    "": "not judged",
    "non_aggressive": "non-aggressive",
    "indeterminate": "indeterminate aggressiveness",
    "aggressive": "aggressive",
}
_ENOUGH = 2
_TOGETHER = "common practice (how features are put together)"


class Graded(Frozen):
    """A derived word, why, and what it rests on."""

    word: str
    why: str
    source: str
    grade: str


def aggressiveness(finding: Finding, *, atlas: Atlas | None = None) -> Graded:
    """The aggressiveness of `finding`: the reader's word, else what its features say.

    The word is "" when no feature of a bone lesion was described.
    """
    said = _features(atlas or default_atlas(), finding)
    derived = _together(said)
    if not finding.aggressiveness:
        return derived
    others = f"; the features say {WORDS[derived.word]}: {derived.why}" if derived.word else "."
    return Graded(
        word=finding.aggressiveness,
        why=f"The reader's word{others}",
        source="the reader",
        grade=derived.grade,
    )


def _features(known: Atlas, finding: Finding) -> list[tuple[str, AggressivenessRule]]:
    """The label of the descriptor and the rule, for each feature described."""
    found = []
    for identity in finding.descriptors:
        implied = known.implied((identity,))
        descriptor = known.descriptor(identity)
        for rule in known.aggressiveness:
            if implied & set(rule.any) and descriptor:
                found.append((descriptor.label, rule))
    return found


def _together(said: Sequence[tuple[str, AggressivenessRule]]) -> Graded:
    if not said:
        return Graded(word="", why="No feature of a bone lesion is described.", source="", grade="")
    by_word: dict[str, list[str]] = {"aggressive": [], "indeterminate": [], "non_aggressive": []}
    for label, rule in said:
        by_word[rule.says].append(label)
    for_it, against = by_word["aggressive"], by_word["non_aggressive"]
    if len(for_it) >= _ENOUGH or (for_it and not against):
        word = "aggressive"
    elif for_it or not against:
        word = "indeterminate"
    else:
        word = "non_aggressive"
    parts = [
        f"{WORDS[name]} by {', '.join(dict.fromkeys(labels))}"
        for name, labels in by_word.items()
        if labels
    ]
    sources = dict.fromkeys([*(rule.source for _, rule in said), _TOGETHER])
    return Graded(
        word=word,
        why=f"{'; '.join(parts)}.",
        source="; ".join(sources),
        grade=weakest([*(rule.grade for _, rule in said), "C"]),
    )
