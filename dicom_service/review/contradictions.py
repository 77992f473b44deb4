"""What in a reading does not go together. These ask; none of them stops the reader from signing."""

import re
from collections.abc import Iterator

from dicom_service.anatomy import Atlas
from dicom_service.anatomy.words import tokens
from dicom_service.review.answers import Answers
from dicom_service.review.coverage import asked_views
from dicom_service.review.cross import items_of, value_of, views_of
from dicom_service.review.crosscheck import certainty
from dicom_service.review.evidence import relevant
from dicom_service.review.model import Finding, Gap, Reading, RuleOut, Template, TemplateItem
from dicom_service.review.propose import propose_one

_STEM = 5
"""Letters by which a word of the impression is known again: "fracture" in "fractured"."""

_COMMON = {"other", "joint", "joints", "bones", "distal", "proximal", "medial", "lateral", "dorsal"}

_SIDE_WORDS = {
    "L": ("left", "links", "linke", "linker", "linken", "gauche", "sinistra", "sinistro"),
    "R": ("right", "rechts", "rechte", "rechter", "rechten", "droite", "droit", "destra", "destro"),
}
"""Left and right as people write them in prose."""


def contradictions(known: Atlas, template: Template, reading: Reading) -> Iterator[Gap]:
    """Questions that the reading raises by itself."""
    yield from _without_conclusion(known, template, reading)
    yield from _verdicts(known, template, reading)
    yield from _left_and_right(template, reading)
    yield from _named_side(template, reading)
    yield from _devices(template, reading)


def _question(kind: str, text: str, item: str = "", view: str = "", finding: str = "") -> Gap:
    return Gap(kind=kind, text=text, blocking=False, item=item, view=view, finding=finding)


def _without_conclusion(known: Atlas, template: Template, reading: Reading) -> Iterator[Gap]:
    """Findings that neither the impression names nor a verdict rests on."""
    items = items_of(template)
    if not reading.impression.strip():
        return
    concluded = {
        identity
        for verdict in reading.rule_outs
        if verdict.verdict in ("supported", "possible")
        for identity in verdict.evidence
    }
    said = {word[:_STEM] for word in tokens(f"{reading.impression} {reading.recommendations}")}
    for finding in reading.findings:
        item = items.get(finding.item)
        if item is None or finding.id in concluded or _words(known, item, finding) & said:
            continue
        text = (
            f"{item.name}: the impression does not mention this finding, and no verdict rests "
            "on it. Say what it means, or that it is incidental."
        )
        yield _question("finding_without_conclusion", text, item.id, finding.view, finding.id)


def _words(known: Atlas, item: TemplateItem, finding: Finding) -> set[str]:
    """Beginnings of the words by which an impression would name the finding."""
    labels = [d.label for i in finding.descriptors if (d := known.descriptor(i))]
    region = {word[:_STEM] for word in tokens(known.part(item.region).name)}
    words = {w for text in (item.name, *labels) for w in tokens(text) if len(w) >= _STEM}
    return {word[:_STEM] for word in words - _COMMON} - region


def _verdicts(known: Atlas, template: Template, reading: Reading) -> Iterator[Gap]:
    findings = {finding.id: finding for finding in reading.findings}
    answers = Answers(known, template, reading)
    for verdict in reading.rule_outs:
        condition = known.condition(verdict.id)
        if condition is None:
            continue
        rests_on = [findings[e] for e in verdict.evidence if e in findings]
        if (
            verdict.verdict == "supported"
            and rests_on
            and _too_strong(known, template, reading, verdict)
        ):
            words = dict.fromkeys(certainty(template, f).words for f in rests_on)
            text = (
                f"{condition.name} is “supported”, but what it rests on is {'; '.join(words)}. "
                "Say “possible”, or add the view at a right angle."
            )
            yield _question("stronger_than_views", text, finding=rests_on[0].id)
        items = relevant(known, answers, condition)
        seen = any(reading.observations.get(item.id) for item in items)
        if verdict.verdict in ("no_evidence", "excluded") and items and not seen:
            text = f"{condition.name} has a verdict, but none of its structures was observed."
            yield _question("verdict_without_looking", text, items[0].id, asked_views(items[0])[0])


def _too_strong(known: Atlas, template: Template, reading: Reading, verdict: RuleOut) -> bool:
    """Whether no finding that the verdict rests on is confirmed, and no rule is content with it."""
    own = [f for f in reading.findings if f.id in verdict.evidence]
    if any(certainty(template, finding).ceiling == "supported" for finding in own):
        return False
    condition = known.condition(verdict.id)
    alone = reading.model_copy(update={"findings": tuple(own)})
    if condition is None:
        return True
    return propose_one(known, Answers(known, template, alone), condition).verdict != "supported"


def _left_and_right(template: Template, reading: Reading) -> Iterator[Gap]:
    """The same structure called a variant on one side and abnormal on the other."""
    pairs: dict[tuple[str, str], dict[str, TemplateItem]] = {}
    for item in template.items:
        pairs.setdefault((item.region, item.structure), {})[item.side] = item
    for sides in pairs.values():
        for side, opposite in (("L", "R"), ("R", "L")):
            if not {side, opposite} <= set(sides):
                continue
            variant, other = sides[side], sides[opposite]
            if "variant" in _values(reading, variant) and "abnormal" in _values(reading, other):
                text = (
                    f"{variant.name}: a normal variant on {side}, abnormal on {opposite}. "
                    "Compare the two limbs."
                )
                yield _question("left_against_right", text, variant.id)


def _values(reading: Reading, item: TemplateItem) -> set[str]:
    return {o.value for o in reading.observations.get(item.id, {}).values()}


def _named_side(template: Template, reading: Reading) -> Iterator[Gap]:
    """An impression that names the limb on which nothing was found."""
    items = items_of(template)
    found = {items[f.item].side for f in reading.findings if f.item in items}
    plain = re.sub(r"(?i)right[- ]angle", "", reading.impression)
    said = {side for side, words in _SIDE_WORDS.items() if set(tokens(plain)) & set(words)}
    if len(found) == 1 and len(said) == 1 and found | said == {"L", "R"}:
        text = (
            f"The impression names the {'left' if 'L' in said else 'right'} side; the findings "
            f"stand on the {'left' if 'L' in found else 'right'}."
        )
        yield _question("wrong_side", text, finding=reading.findings[0].id)


def _devices(template: Template, reading: Reading) -> Iterator[Gap]:
    """Metal that one view shows and another, which includes the part, does not."""
    views = views_of(template)
    for item in template.items:
        if item.section != "devices":
            continue
        values = {uid: value_of(reading, item.id, uid) for uid in item.visibility if uid in views}
        shown = [uid for uid, value in values.items() if value == "abnormal"]
        hidden = [uid for uid, value in values.items() if value == "normal"]
        if shown and hidden:
            text = (
                f"{item.name}: present on {_labels(template, shown)}, not on "
                f"{_labels(template, hidden)}. Metal shows on every view that includes it: is it "
                "on the skin or the detector, or was it overlooked?"
            )
            yield _question("device_on_one_view", text, item.id, hidden[0])


def _labels(template: Template, uids: list[str]) -> str:
    views = views_of(template)
    return ", ".join(views[uid].label for uid in uids)
