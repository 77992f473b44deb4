"""The companion document for programs: measurements in TID 1500, one TID 1501 group for each.

The tracking identifiers, the points below the number and an angle as four points are what lets
the host viewer turn a stored measurement into one that can be edited.
"""

from collections.abc import Sequence

from pydicom.dataset import Dataset

from dicom_service.codes import get
from dicom_service.report import computed, sentences
from dicom_service.report import items as sr
from dicom_service.report.coded import (
    drawn,
    finding_code,
    measurement_uid,
    method,
    reference,
    sites,
)
from dicom_service.report.names import Names
from dicom_service.review.model import Measurement

TOOLS = {"length": "Cornerstone3DTools@^0.1.0:Length", "angle": "Cornerstone3DTools@^0.1.0:Angle"}
"""Kind -> tracking identifier by which the host viewer knows the tool."""

DCMR = ("DCMR", "1.2.840.10008.8.1.1", "1500")


def measurement_tree(names: Names, context: Sequence[Dataset]) -> list[Dataset]:
    """The items below the root of the measurement document."""
    measurements = names.content.reading.measurements
    return [
        *context,
        _library(names, measurements),
        sr.container("imaging_measurements", [_group(names, m) for m in measurements]),
    ]


def _library(names: Names, measurements: Sequence[Measurement]) -> Dataset:
    views = dict.fromkeys(m.view for m in measurements)
    images = [sr.image("CONTAINS", "source_of_measurement", reference(names, uid)) for uid in views]
    return sr.container("image_library", [sr.container("image_library_group", images)])


def _group(names: Names, measurement: Measurement) -> Dataset:
    item = names.item(measurement.item)
    finding = names.finding(measurement.finding)
    title = f"{names.title(item)}, {names.view(measurement.view).label}"
    found = finding_code(finding) if finding else get(_observed(names, measurement))
    identity, values = _values(names, measurement)
    return sr.container(
        "measurement_group",
        [
            *sr.text("HAS OBS CONTEXT", "tracking_identifier", identity),
            sr.uid_item(
                "HAS OBS CONTEXT", "tracking_unique_identifier", measurement_uid(names, measurement)
            ),
            sr.coded("CONTAINS", "finding", found),
            *sites(item),
            *values,
            *sr.text("CONTAINS", "comment", title),
        ],
    )


def _values(names: Names, measurement: Measurement) -> tuple[str, list[Dataset]]:
    """The tracking identifier and the numbers of a group, the first one with its geometry."""
    made = measurement.computed
    if made is None:
        value = sr.number(measurement.kind, measurement.value, f"unit_{measurement.unit}")
        sr.below(value, [method(names, measurement), drawn(names, measurement)])
        return TOOLS[measurement.kind], [value]
    place = reference(names, measurement.view)
    values = computed.in_group(made)
    sr.below(values[0], [method(names, measurement)])
    shapes = computed.drawings(measurement, place)
    marked = [drawn(names, measurement)] if measurement.points else []
    sr.below(values[0], [*computed.words(made), *marked, *shapes])
    return f"{made.method}:{measurement.id}", values


def _observed(names: Names, measurement: Measurement) -> str:
    """What was observed where the measurement was made, as a code keyword."""
    seen = names.observation(measurement.item, measurement.view)
    return sentences.VALUES[seen.value] if seen else "not_evaluated"
