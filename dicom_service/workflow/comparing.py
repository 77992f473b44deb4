"""The same measurement in an earlier study or on the other limb, and what has changed."""

from collections.abc import Callable, Iterator, Sequence

from pydantic import Field

from dicom_service.base import Frozen
from dicom_service.intake.model import ImageFacts, Spacing, StudyFacts
from dicom_service.intake.values import day
from dicom_service.measure import Measured, Said, say
from dicom_service.measure.by_hand import by_hand
from dicom_service.measure.change import Compared, Series, compare, series
from dicom_service.measure.model import Number
from dicom_service.measure.said import recalled
from dicom_service.report.computed import concept
from dicom_service.review.computed import Computed
from dicom_service.review.model import Measurement, Template, TemplateItem
from dicom_service.workflow.prior_model import PriorMeasurement, Priors

MOST_COMPARED = 60
_MIRRORED = {"LM": "ML", "PaD": "DPa", "PlD": "DPl", "CdCr": "CrCd"}
_SIDES = {"R": "right", "L": "left", "B": "both", "U": ""}  # as in the part "word" of sentences

Again = Callable[[PriorMeasurement], Measured | None]
"""Measures an earlier image again with today's method; None when that cannot be done."""


class ComparedAsked(Frozen):
    """Measurements of this study, as the reader has them now."""

    measurements: tuple[Measurement, ...] = Field(max_length=MOST_COMPARED)


class Against(Frozen):
    """One measurement that today's is compared with. `words` is a sentence for the report."""

    kind: str
    """"earlier" or "other limb"."""
    study_uid: str = ""
    date: str = ""
    image_uid: str = ""
    side: str = ""
    maker: str = ""
    measurement_id: str = ""
    compared: Compared
    words: str = ""


class ChangesOf(Frozen):
    """What one measurement is compared with, nearest first, and its numbers over time."""

    id: str
    against: tuple[Against, ...] = ()
    series: tuple[Series, ...] = ()


class AllChanges(Frozen):
    """Answer to `ComparedAsked`, in the same order."""

    changes: tuple[ChangesOf, ...]


def same_view(one: str, other: str) -> bool:
    """Whether two views show the same picture; lateral views do from either side."""
    return one != "" and _MIRRORED.get(one, one) == _MIRRORED.get(other, other)


def changes_of(
    facts: StudyFacts,
    template: Template,
    wanted: Sequence[Measurement],
    kept: Sequence[Measurement],
    priors: Priors,
    again: Again = lambda _: None,
) -> AllChanges:
    """Each of `wanted` beside the same in earlier studies and on the other limb.

    Parameters
    ----------
    wanted, kept
        Measurements of this study with their values; those of the other limb are among `kept`.
    again
        Asked where the earlier one was made by another version of the method.
    """
    images = {image.uid: image for image in facts.images}
    items = {item.id: item for item in template.items}
    found = []
    for measurement in wanted:
        image, item = images.get(measurement.view), items.get(measurement.item)
        if image is None or item is None:
            found.append(ChangesOf(id=measurement.id))
            continue
        found.append(_one(facts, measurement, image, item, (images, items, kept), priors, again))
    return AllChanges(changes=tuple(found))


def _one(
    facts: StudyFacts,
    now: Measurement,
    image: ImageFacts,
    item: TemplateItem,
    today: tuple[dict[str, ImageFacts], dict[str, TemplateItem], Sequence[Measurement]],
    priors: Priors,
    again: Again,
) -> ChangesOf:
    current = as_measured(now, image.spacing)
    against, dated = [], [(day(facts.study_date), current)] if facts.study_date else []
    for prior in _same_before(now, image, item, priors):
        before = _before(prior, current)
        compared = compare(before, current)
        if compared.refusal and before.version != current.version:
            newer = again(prior)
            before = before if newer is None else newer
            compared = compare(before, current)
        if not compared.refusal and prior.date:
            dated.append((day(prior.date), before))
        against.append(_earlier(prior, before, compared))
    images, items, kept = today
    for other in _other_limb(now, image, item, images, items, kept):
        there = as_measured(other, images[other.view].spacing)
        side = _SIDES[images[other.view].side] or _SIDES[items[other.item].side]
        than = say("change.on_side", side=say(f"word.{side}"))
        compared = compare(there, current, than)
        against.append(_beside(other, there, compared, side))
    return ChangesOf(id=now.id, against=tuple(against), series=_curves(dated))


def as_measured(measurement: Measurement, spacing: Spacing) -> Measured:
    """A measurement of a reading or a report as the measuring part has it."""
    made = measurement.computed
    if made is None:
        return by_hand(measurement, spacing)
    return Measured(
        kind=made.kind, method=made.method, version=made.version,
        calibration=recalled(measurement.calibration, made.said),
        numbers=tuple(
            Number(**{**dict(n), "name": recalled(n.name, made.said)}) for n in made.numbers
        ),
        refusal=_why_none(made),
    )  # fmt: skip


def _why_none(made: Computed) -> Said:
    if made.numbers:
        return Said()
    return recalled(made.why, made.said) if made.why else say("change.no_number")


def _same_before(
    now: Measurement, image: ImageFacts, item: TemplateItem, priors: Priors
) -> Iterator[PriorMeasurement]:
    """Newest first: the same code on the same structure in the same view."""
    code = concept(now)
    for prior in (m for group in priors.measurements.values() for m in group):
        if prior.view and not (same_view(prior.view, image.view) and _side_fits(prior, image)):
            continue
        if prior.own is not None:
            same = prior.item == now.item or (
                _along_the_limb(now) and _region_of(prior.item) == _region_of(now.item)
            )
            if same and _alike(prior.own, now):
                yield prior
        elif prior.code == f"{code.scheme}:{code.value}" and _same_place(prior, item):
            yield prior


def _along_the_limb(measurement: Measurement) -> bool:
    """Whether it is the same whatever structure of the region it was begun from."""
    made = measurement.computed
    return made is not None and made.kind == "swelling_profile"


def _region_of(item: str) -> str:
    """Side and region of an item's id."""
    return item.rpartition(".")[0]


def _alike(one: Measurement, other: Measurement) -> bool:
    def what(m: Measurement) -> tuple[str, str, str]:
        return m.kind, m.computed.kind if m.computed else "", m.computed.name if m.computed else ""

    return what(one) == what(other)


def _side_fits(prior: PriorMeasurement, image: ImageFacts) -> bool:
    return prior.view_side == "U" or prior.view_side == image.side


def _same_place(prior: PriorMeasurement, item: TemplateItem) -> bool:
    """Whether another maker's words name this structure of this side."""
    site = prior.site.casefold()
    named = {item.name.casefold(), item.code.meaning.casefold(), item.site.meaning.casefold()}
    side = prior.side.casefold() or _SIDES[prior.view_side]
    return site in named and side in ("", _SIDES[item.side])


def _other_limb(
    now: Measurement, image: ImageFacts, item: TemplateItem, images: dict[str, ImageFacts],
    items: dict[str, TemplateItem], kept: Sequence[Measurement],
) -> Iterator[Measurement]:  # fmt: skip
    for other in kept:
        there, its_image = items.get(other.item), images.get(other.view)
        if there is None or its_image is None or {there.side, item.side} != {"R", "L"}:
            continue
        same_place = there.region == item.region and (
            there.structure == item.structure or _along_the_limb(now)
        )
        if same_place and _alike(other, now) and same_view(its_image.view, image.view):
            yield other


def _before(prior: PriorMeasurement, current: Measured) -> Measured:
    if prior.own is not None:
        return as_measured(prior.own, prior.spacing)
    # Another maker's number stands under the same code; its error and its method are not known.
    first = current.numbers[0] if current.numbers else None
    unit = {"deg": "deg", "mm": "mm", "": "1"}.get(prior.unit, prior.unit)
    numbers = (Number(id=first.id, name=first.name, value=prior.value, unit=unit),) if first else ()
    return current.model_copy(
        update={
            "numbers": numbers,
            "calibration": Said(prior.calibration) or say("calibration.not_stated"),
        }
    )


def _earlier(prior: PriorMeasurement, before: Measured, compared: Compared) -> Against:
    when = day(prior.date) or "an earlier study"
    if prior.maker:
        doubt = say("change.maker", maker=prior.maker)
        compared = compared.model_copy(update={"doubts": (*compared.doubts, doubt)})
    if not prior.tracking_id and not prior.maker:
        doubt = say("change.today")
        compared = compared.model_copy(update={"doubts": (*compared.doubts, doubt)})
    return Against(
        kind="earlier", study_uid=prior.study_uid, date=prior.date, image_uid=prior.image_uid,
        side=prior.view_side, maker=prior.maker, measurement_id=prior.tracking_id,
        compared=compared, words=_words(f"Compared with {when}", before, compared),
    )  # fmt: skip


def _beside(other: Measurement, there: Measured, compared: Compared, side: str) -> Against:
    return Against(
        kind="other limb", image_uid=other.view, side=side[:1].upper(), measurement_id=other.id,
        compared=compared, words=_words(f"Compared with the {side} limb", there, compared),
    )  # fmt: skip


def _words(lead: str, before: Measured, compared: Compared) -> str:
    if compared.refusal or not compared.changes:
        return ""
    change = compared.changes[0]
    digits = 1 if change.unit == "deg" else 2
    unit = {"deg": "°", "1": "", "px": " pixels"}.get(change.unit, f" {change.unit}")
    error = before.number(change.id).plus_minus
    then = f"{change.before:.{digits}f}" + ("" if error is None else f" ± {error:.{digits}f}")
    seen = ""
    if change.real and change.detectable is not None:
        seen = f"; smallest detectable difference {change.detectable:.{digits}f}{unit}"
    return f"{lead} ({then}{unit}): {change.words}{seen}."


def _curves(dated: list[tuple[str, Measured]]) -> tuple[Series, ...]:
    return tuple(curve for curve in series(dated) if len(curve.points) > 1)
