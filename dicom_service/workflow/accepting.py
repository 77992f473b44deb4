"""Computed measurements that the reader accepts: what the node answers for them is its own word.

A panel sends what was asked for. What it says of the numbers counts for nothing: they are those
that were kept with the same request before, or they are computed again.
"""

from collections import OrderedDict
from collections.abc import Mapping, Sequence
from threading import Lock
from typing import TypeVar

from dicom_service.errors import Refused
from dicom_service.intake.model import ImageFacts, Spacing, StudyFacts
from dicom_service.measure import Drawn, Measured, Number, Profile, complete
from dicom_service.measure.lengths import usable_spacing
from dicom_service.report.computed import UNITS
from dicom_service.review.computed import Computed, ComputedNumber, Curve, Scale, Shape
from dicom_service.review.model import Measurement
from dicom_service.store import Store
from dicom_service.workflow.measuring import (
    StudyMeasureRequest,
    about_the_animal,
    calibrated_by,
    measure_in_study,
)

MOST_POINTS, MOST_SAMPLES = 90, 120
"""Of one shape or curve that is kept; enough to draw it, and little enough to save often."""
SHOWN_CURVES = 2
"""Curves that people look at; the others serve comparison and come with the measuring."""
REMEMBERED = 48
SCALING = ("ball", "ruler")
"""Kinds that say how large the pixels of their image are."""

T = TypeVar("T")

_answers: OrderedDict[tuple[str, str, StudyMeasureRequest], Measured] = OrderedDict()
_lock = Lock()


def measured(store: Store, study_uid: str, asked: StudyMeasureRequest) -> Measured:
    """A measurement on an image of the study; the latest answers are remembered.

    Raises
    ------
    NotFound
        The image is not in the study.
    Refused
        The request itself is wrong.
    """
    asked = about_the_animal(store, study_uid, asked)
    key = (str(store.incoming), study_uid, asked)
    with _lock:
        if key in _answers:
            _answers.move_to_end(key)
            return _answers[key]
    found = measure_in_study(store, study_uid, asked)
    with _lock:
        _answers[key] = found
        while len(_answers) > REMEMBERED:
            _answers.popitem(last=False)
    return found


def worked_out(
    store: Store,
    facts: StudyFacts,
    before: Sequence[Measurement],
    wanted: Sequence[Measurement],
) -> tuple[Measurement, ...]:
    """`wanted` with the node's own numbers; a ball or ruler gives all others on its image scale.

    Parameters
    ----------
    before
        As they were kept last; what is asked for in the same way is not computed again.

    Raises
    ------
    Refused
        The image does not allow the number, or points are not on it; nothing is kept then.
    """
    known = {m.id: m for m in before}
    objects = {
        m.id: _answered(store, facts, known, m, None)
        for m in wanted
        if m.computed and m.computed.kind in SCALING
    }
    scale_of = {m.view: m for m in objects.values()}
    images = {image.uid: _scaled(image, scale_of.get(image.uid)) for image in facts.images}
    return tuple(
        objects.get(m.id)
        or (
            _answered(store, facts, known, m, _scale(scale_of.get(m.view)))
            if m.computed
            else _drawn(m, images[m.view], scale_of.get(m.view))
        )
        for m in wanted
    )


def _scale(found: Measurement | None) -> Scale | None:
    made = found.computed if found else None
    if found is None or made is None:
        return None
    return Scale.model_validate(
        {"kind": made.kind, "points": found.points, "true_mm": made.true_mm}
    )


def _scaled(image: ImageFacts, found: Measurement | None) -> ImageFacts:
    """The image with the size of its pixels that an object on it gave."""
    if found is None:
        return image
    known = usable_spacing(image.spacing)
    shape = known.row_mm / known.column_mm if known.kind != "none" else 1.0
    spacing = Spacing(kind="fiducial", row_mm=found.value * shape, column_mm=found.value)
    return image.model_copy(update={"spacing": spacing})


def _drawn(measurement: Measurement, image: ImageFacts, found: Measurement | None) -> Measurement:
    done = complete(measurement, image)
    made = found.computed if found else None
    if made is None or done.kind != "length":
        return done
    words = calibrated_by(made.kind, made.true_mm)
    return done.model_copy(update={"calibration": str(words)})


def _answered(
    store: Store,
    facts: StudyFacts,
    known: Mapping[str, Measurement],
    wanted: Measurement,
    scale: Scale | None,
) -> Measurement:
    old, made = known.get(wanted.id), wanted.computed
    if made is None:
        return wanted
    made = made.model_copy(update={"scale": scale})
    wanted = wanted.model_copy(update={"computed": made})
    same = old is not None and old.computed is not None and old.computed.numbers
    # What an angle is compared with hangs on the species, which may have been put right since.
    lasting = made.kind != "limb_measurement"
    if same and lasting and old is not None and _asked(old) == _asked(wanted):
        kept = {"computed": old.computed, "value": old.value, "unit": old.unit}
        return wanted.model_copy(update={**kept, "calibration": old.calibration})
    found = measured(store, facts.study_uid, request_of(wanted))
    if found.refusal or not found.numbers or found.numbers[0].unit not in UNITS:
        why = found.refusal or "It has no number that a report can carry."
        raise Refused(f"The computed measurement cannot be kept: {why} Take it back with Ctrl Z.")
    first = found.numbers[0]
    return wanted.model_copy(
        update={
            "computed": kept_of(made, found),
            "value": first.value,
            "unit": first.unit if first.unit in ("mm", "px", "deg") else "1",
            "calibration": str(found.calibration),
        }
    )


def _asked(measurement: Measurement) -> tuple[object, ...]:
    made = measurement.computed
    return measurement.view, measurement.points, made.asked if made else ()


def request_of(measurement: Measurement) -> StudyMeasureRequest:
    """The request that a computed measurement is the answer to."""
    made = measurement.computed
    if made is None:
        raise Refused(f"The measurement '{measurement.id}' is not a computed one.")
    return StudyMeasureRequest(
        kind=made.kind,
        name=made.name,
        image_uid=measurement.view,
        points=measurement.points,
        control_uid=made.control_view,
        control_points=made.control_points,
        true_mm=made.true_mm,
        scale=made.scale,
    )


def kept_of(asked: Computed, found: Measured) -> Computed:
    """What is kept of an answer: everything but the finest detail of its lines."""
    return asked.model_copy(
        update={
            "method": found.method,
            "version": found.version,
            "numbers": tuple(_number(n) for n in found.numbers),
            "word": str(found.word),
            "why": str(found.why),
            "doubts": tuple(str(doubt) for doubt in found.doubts),
            "said": found.said,
            "shapes": tuple(_shape(d) for d in found.drawn if d.points),
            "curves": tuple(_curve(p) for p in found.profiles[:SHOWN_CURVES]),
        }
    )


def _number(number: Number) -> ComputedNumber:
    return ComputedNumber(**{**dict(number), "name": str(number.name)})


def _shape(drawn: Drawn) -> Shape:
    points = _thinned(drawn.points, MOST_POINTS)
    rounded = tuple((round(x, 1), round(y, 1)) for x, y in points)
    return Shape(kind=drawn.kind, name=drawn.name, points=rounded, radius=drawn.radius)


def _curve(profile: Profile) -> Curve:
    return Curve(
        name=str(profile.name),
        unit=profile.unit,
        along=tuple(_thinned(profile.along, MOST_SAMPLES)),
        values=tuple(_thinned(profile.values, MOST_SAMPLES)),
    )


def _thinned(values: Sequence[T], most: int) -> list[T]:
    """Evenly chosen ones, the first and the last among them."""
    if len(values) <= most:
        return list(values)
    return [values[round(i * (len(values) - 1) / (most - 1))] for i in range(most)]
