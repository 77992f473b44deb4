"""Computed measurements in documents: numbers, uncertainty, algorithm, geometry, and back.

The algorithm is identified as TID 4019 has it. The report tells the numbers and the points that
the reader set; the companion document also has what the node drew.
"""

import math
from collections.abc import Iterator, Mapping
from functools import cache
from itertools import pairwise

from pydicom.dataset import Dataset

from dicom_service.codes import Code, all_codes, get
from dicom_service.report import items as sr
from dicom_service.report.walk import (
    child,
    children,
    key_of,
    name_of,
    text_below,
    text_of,
    value_of,
)
from dicom_service.review.computed import Computed, ComputedNumber, Scale, Shape, number_words
from dicom_service.review.model import Measurement

PREFIX = "computed_"
UNITS: Mapping[str, str] = {
    "mm": "unit_mm", "px": "unit_px", "deg": "unit_deg", "1": "unit_1",
    "grey values": "unit_grey",
}  # fmt: skip
"""Units that a document can carry -> code keyword; numbers in others stay with the draft."""
BOUNDS = {"at least": "bound_at_least", "at most": "bound_at_most"}


def told(computed: Computed) -> Computed:
    """What the report's content tree tells of `computed`."""
    numbers = tuple(_number_as_told(computed, n) for n in computed.numbers if n.unit in UNITS)
    return Computed(
        kind=computed.kind,
        name=sr.tidy(computed.name),
        control_view=sr.tidy(computed.control_view),
        true_mm=computed.true_mm,
        scale=_read_scale(_scale_words(computed.scale)) if computed.scale else None,
        method=sr.tidy(computed.method),
        version=sr.tidy(computed.version),
        numbers=numbers,
        word=_said(computed.word),
        why=_said(computed.why),
        doubts=tuple(d for doubt in computed.doubts if (d := _said(doubt))),
    )


def _number_as_told(computed: Computed, number: ComputedNumber) -> ComputedNumber:
    return number.model_copy(update={"name": number_code(computed, number.id).meaning})


def _said(text: str) -> str:
    kept = sr.tidy(text)
    return kept if kept.strip() else ""


def number_code(computed: Computed, identity: str) -> Code:
    """The concept name of one number."""
    return all_codes().get(f"{PREFIX}{computed.kind}_{identity}", get(f"{PREFIX}other"))


@cache
def names() -> frozenset[tuple[str, str]]:
    """Keys of all concept names of computed numbers."""
    return frozenset(c.key for k, c in all_codes().items() if k.startswith(PREFIX))


def headline(computed: Computed) -> Dataset:
    """The first number as a NUM item that names its algorithm, for the report."""
    item = _number(computed, computed.numbers[0], "CONTAINS")
    return sr.below(item, algorithm(computed))


def others(computed: Computed) -> list[Dataset]:
    """The other numbers, each a NUM item below the first one, for the report."""
    return [
        sr.below(_number(computed, n, "HAS PROPERTIES"), sr.identifier(n.id))
        for n in computed.numbers[1:]
        if n.unit in UNITS
    ]


def in_group(computed: Computed) -> list[Dataset]:
    """All numbers side by side, as TID 1501 has them; each names its algorithm (TID 300)."""
    return [
        sr.below(_number(computed, n, "CONTAINS", in_words=True), algorithm(computed))
        for n in computed.numbers
        if n.unit in UNITS
    ]


def _number(
    computed: Computed, number: ComputedNumber, relation: sr.Relation, *, in_words: bool = False
) -> Dataset:
    unit = UNITS[number.unit]
    item = sr.number(number_code(computed, number.id), number.value, unit, relation)
    below = []
    if number.plus_minus is not None and in_words:
        # TID 300 knows no number below a number but one that it was inferred from.
        said = f"{number.plus_minus:.6g} {get(unit).meaning}"
        below += sr.text("HAS PROPERTIES", "uncertainty_95", said)
    elif number.plus_minus is not None:
        below.append(sr.number("uncertainty_95", number.plus_minus, unit, "HAS PROPERTIES"))
    if number.bound:
        below.append(sr.coded("HAS PROPERTIES", "bound", BOUNDS[number.bound]))
    return sr.below(item, below)


def algorithm(computed: Computed) -> list[Dataset]:
    """Name, version and parameters of what computed it (TID 4019)."""
    asked = {
        "kind": computed.kind,
        "measurement": computed.name,
        "number": computed.numbers[0].id,
        "control": computed.control_view,
        "true size in mm": f"{computed.true_mm:g}" if computed.true_mm else "",
        "scale from": _scale_words(computed.scale) if computed.scale else "",
    }
    return [
        *sr.text("HAS CONCEPT MOD", "algorithm_name", computed.method),
        *sr.text("HAS CONCEPT MOD", "algorithm_version", computed.version),
        *(
            item
            for key, value in asked.items()
            if value
            for item in sr.text("HAS CONCEPT MOD", "algorithm_parameters", f"{key}={value}")
        ),
    ]


def _scale_words(scale: Scale) -> str:
    """An object that gave the scale, such as "ball 25 mm at 120.50,300.00"."""
    places = " ".join(f"{x:.2f},{y:.2f}" for x, y in scale.points)
    return f"{scale.kind} {scale.true_mm:g} mm at {places}"


def _read_scale(words: str) -> Scale:
    kind, true_mm, _, _, *places = words.split(" ")
    points = [place.split(",") for place in places if place]
    return Scale.model_validate({"kind": kind, "true_mm": true_mm, "points": points})


def words(computed: Computed) -> list[Dataset]:
    """What the numbers say, why, and the reasons to doubt them."""
    return [
        *sr.text("HAS PROPERTIES", "computed_word", computed.word),
        *sr.text("HAS PROPERTIES", "computed_why", computed.why),
        *(i for d in computed.doubts for i in sr.text("HAS PROPERTIES", "computed_doubt", d)),
    ]


def concept(measurement: Measurement) -> Code:
    """What was measured, as a code."""
    made = measurement.computed
    if made is None or not made.numbers:
        return get(measurement.kind)
    return number_code(made, made.numbers[0].id)


def value_words(measurement: Measurement) -> str:
    """The value with its unit, and its uncertainty where it is known."""
    made = measurement.computed
    if made is not None and made.numbers:
        return number_words(made.numbers[0])
    unit = {"mm": " mm", "px": " pixels", "deg": "°", "1": ""}[measurement.unit]
    return f"{measurement.value:.1f}{unit}"


def marked(measurement: Measurement, reference: sr.ImageReference) -> Dataset:
    """The points that the reader set; where none were needed, the first thing that was drawn."""
    points = measurement.points
    if points:
        kind: sr.Graphic = "POINT" if len(points) == 1 else "MULTIPOINT"
        return sr.graphic("POLYLINE" if len(points) == 2 else kind, points, "illustration",
                          reference)  # fmt: skip
    return next(drawings(measurement, reference))


def drawings(measurement: Measurement, reference: sr.ImageReference) -> Iterator[Dataset]:
    """What the node drew, as coordinates."""
    shapes = measurement.computed.shapes if measurement.computed else ()
    for shape in shapes:
        kind, points = _graphic(shape)
        yield sr.graphic(kind, points, "computed_shape", reference)


def _graphic(shape: Shape) -> tuple[sr.Graphic, tuple[tuple[float, float], ...]]:
    points = shape.points
    if shape.kind == "circle":
        (x, y) = points[0]
        return "CIRCLE", ((x, y), (x + shape.radius, y))
    if len(points) == 1:
        return "POINT", points
    if shape.kind == "outline" and points[0] != points[-1]:
        points = (*points, points[0])
    return ("MULTIPOINT" if shape.kind == "points" else "POLYLINE"), points


def read(item: Dataset) -> Computed:
    """What the tree tells of a computed measurement; `item` is its first number."""
    asked = dict(
        text_of(entry).partition("=")[::2] for entry in children(item, "algorithm_parameters")
    )
    kept = [n for n in children(item) if n.get("ValueType") == "NUM" and name_of(n) in names()]
    return Computed.model_validate({
        "kind": asked["kind"],
        "name": asked.get("measurement", ""),
        "control_view": asked.get("control", ""),
        "true_mm": asked.get("true size in mm", 0.0),
        "scale": _read_scale(asked["scale from"]) if "scale from" in asked else None,
        "method": text_below(item, "algorithm_name"),
        "version": text_below(item, "algorithm_version"),
        "numbers": [
            _read_number(item, asked["number"]),
            *(_read_number(n, text_below(n, "tracking_identifier")) for n in kept),
        ],
        "word": text_below(item, "computed_word"),
        "why": text_below(item, "computed_why"),
        "doubts": [text_of(d) for d in children(item, "computed_doubt")],
    })  # fmt: skip


def _read_number(item: Dataset, identity: str) -> ComputedNumber:
    units = {get(keyword).key: unit for unit, keyword in UNITS.items()}
    measured = item.MeasuredValueSequence[0]
    bounds = {get(keyword).key: words for words, keyword in BOUNDS.items()}
    bound, error = child(item, "bound"), child(item, "uncertainty_95")
    return ComputedNumber.model_validate({
        "id": identity,
        "name": str(item.ConceptNameCodeSequence[0].CodeMeaning),
        "value": sr.value_of_number(item),
        "unit": units[key_of(measured.MeasurementUnitsCodeSequence)],
        "plus_minus": None if error is None else sr.value_of_number(error),
        "bound": "" if bound is None else bounds[value_of(bound)],
    })  # fmt: skip


def lines(measurement: Measurement) -> list[tuple[tuple[float, float], ...]]:
    """What is drawn of any measurement, as lines: for pictures that know nothing else."""
    if measurement.computed is None:
        return [measurement.points]
    found: list[tuple[tuple[float, float], ...]] = []
    for shape in measurement.computed.shapes:
        if shape.kind == "circle":
            x, y = shape.points[0]
            turns = [2 * math.pi * i / 32 for i in range(33)]
            r = shape.radius
            found.append(tuple((x + r * math.cos(a), y + r * math.sin(a)) for a in turns))
        elif shape.kind == "points":
            found += _runs(shape.points)
        else:
            found.append(_graphic(shape)[1])
    return [line for line in found if len(line) > 1]


def _runs(points: tuple[tuple[float, float], ...]) -> list[tuple[tuple[float, float], ...]]:
    """Dots as lines, broken where nothing was found between two of them."""
    if len(points) < 3:
        return [points]
    steps = [math.dist(a, b) for a, b in pairwise(points)]
    far = 3 * sorted(steps)[len(steps) // 2]
    breaks = [i + 1 for i, step in enumerate(steps) if step > far]
    return [points[a:b] for a, b in pairwise([0, *breaks, len(points)])]
