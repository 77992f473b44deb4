"""Grayscale Softcopy Presentation State: an image as the reader saw it, with what was drawn."""

from collections.abc import Iterator, Sequence
from copy import deepcopy

from pydicom.dataset import Dataset
from pydicom.uid import GrayscaleSoftcopyPresentationStateStorage

from dicom_service.intake.fitting import plain_value
from dicom_service.intake.model import ImageFacts
from dicom_service.report import computed, outlines
from dicom_service.report import items as sr
from dicom_service.report.companions.composite import (
    Made,
    Place,
    composite,
    date,
    is_grey_image,
    time,
)
from dicom_service.report.model import Device, ReportContent
from dicom_service.report.names import Names, descriptor_name
from dicom_service.report.patient import put
from dicom_service.review.model import Measurement, Outline

KIND = Made(
    GrayscaleSoftcopyPresentationStateStorage, "PR", "Limb report, annotations on the images"
)
MEASURED, REMARKS, VARIANTS = "MEASURED", "REMARKS", "VARIANTS"
_DIM = 36000
"""Grey of the outlines of normal variants: they are there to be known, not to be looked at."""
_LINE = 0.032
"""Height of a line of remarks, as a share of the displayed area."""
_MOST_REMARKS = 12
_LUT = ("ModalityLUTSequence", "RescaleIntercept", "RescaleSlope", "RescaleType")


def annotated_views(content: ReportContent) -> tuple[str, ...]:
    """UIDs of the images on which something was drawn, found or called a variant."""
    names = Names(content)
    drawn = {measurement.view for measurement in content.reading.measurements}
    views = [view.uid for view in content.template.views]
    return tuple(uid for uid in views if uid in drawn or remarks(names, uid))


def remarks(names: Names, view: str) -> list[str]:
    """What is written beside an image: its findings and its normal variants."""
    reading = names.content.reading
    found = []
    for finding in reading.findings:
        if finding.view == view:
            what = ", ".join(descriptor_name(d) for d in finding.descriptors)
            found.append(f"{names.title(names.item(finding.item))}: {what or 'abnormal'}")
    for item, by_view in reading.observations.items():
        seen = by_view.get(view)
        if seen and seen.value == "variant":
            named = [o.name for o in reading.outlines if (o.item, o.view) == (item, view)]
            words = ", ".join([*dict.fromkeys(named), "normal variant"])
            found.append(f"{names.title(names.item(item))}: {words}")
    return found


def presentation_state(
    content: ReportContent,
    image: Dataset,
    evidence: Sequence[Dataset],
    device: Device,
    place: Place,
) -> Dataset | None:
    """The presentation state of one image; None for a colour image.

    Parameters
    ----------
    image
        Header of the image.
    evidence
        Headers of the instances of the study.
    """
    if not is_grey_image(image):
        return None
    names = Names(content)
    facts = names.image(str(image.SOPInstanceUID))
    made = composite(content, evidence, device, place, KIND)
    put(made, "Laterality", facts.side if facts.side in ("L", "R") else "")
    orientation = plain_value(image, "AnatomicalOrientationType")
    if orientation:
        put(made, "AnatomicalOrientationType", orientation)
    _add_identification(made, names, facts, place)
    _add_image(made, image)
    _add_area(made, facts)
    _add_grey(made, image)
    _add_annotations(made, names, facts)
    return made


def _add_identification(made: Dataset, names: Names, facts: ImageFacts, place: Place) -> None:
    view = names.view(facts.uid)
    made.ContentLabel = "ANNOTATED"
    made.ContentDescription = sr.single(f"{view.label}, findings and measurements", 64)
    made.PresentationCreationDate, made.PresentationCreationTime = date(place), time(place)
    signer = names.content.signer
    put(made, "ContentCreatorName", sr.name_parts(signer.name) if signer else "")


def _add_image(made: Dataset, image: Dataset) -> None:
    reference = Dataset()
    reference.ReferencedSOPClassUID = image.SOPClassUID
    reference.ReferencedSOPInstanceUID = image.SOPInstanceUID
    series = Dataset()
    series.SeriesInstanceUID = image.SeriesInstanceUID
    series.ReferencedImageSequence = [reference]
    made.ReferencedSeriesSequence = [series]


def _add_area(made: Dataset, facts: ImageFacts) -> None:
    """The whole image, turned as it is hung.

    Intake flips before it rotates, the standard after (PS3.3 C.10.6): a rotation then goes the
    other way. The corners are those that come to lie there, in the image's own columns and rows.
    """
    turn = -facts.rotation % 360 if facts.flip_horizontal else facts.rotation
    made.ImageRotation = turn
    made.ImageHorizontalFlip = "Y" if facts.flip_horizontal else "N"
    left, right, top, bottom = 1, facts.columns, 1, facts.rows
    first, last = {
        0: ((left, top), (right, bottom)),
        90: ((left, bottom), (right, top)),
        180: ((right, bottom), (left, top)),
        270: ((right, top), (left, bottom)),
    }[turn]
    if facts.flip_horizontal:
        # What was at the right after the turn is at the left now.
        if turn in (0, 180):
            first, last = (last[0], first[1]), (first[0], last[1])
        else:
            first, last = (first[0], last[1]), (last[0], first[1])
    area = Dataset()
    area.DisplayedAreaTopLeftHandCorner = list(first)
    area.DisplayedAreaBottomRightHandCorner = list(last)
    area.PresentationSizeMode = "SCALE TO FIT"
    spacing = facts.spacing
    if spacing.row_mm > 0 and spacing.column_mm > 0:
        area.PresentationPixelSpacing = [
            f"{millimetres:.8g}" for millimetres in (spacing.row_mm, spacing.column_mm)
        ]
    else:
        area.PresentationPixelAspectRatio = [1, 1]
    made.DisplayedAreaSelectionSequence = [area]


def _add_grey(made: Dataset, image: Dataset) -> None:
    """Window and inversion of the header, so that the state shows the image as it was made."""
    for keyword in _LUT:
        if keyword in image:
            made[keyword] = deepcopy(image[keyword])
    if "RescaleSlope" in made and not plain_value(made, "RescaleType"):
        made.RescaleType = "US"
    voi = Dataset()
    if image.get("VOILUTSequence"):
        voi.VOILUTSequence = deepcopy(image.VOILUTSequence)[:1]
    elif image.get("WindowCenter") is not None and image.get("WindowWidth") is not None:
        for keyword in ("WindowCenter", "WindowWidth", "VOILUTFunction"):
            if keyword in image:
                voi[keyword] = deepcopy(image[keyword])
    if len(voi):
        made.SoftcopyVOILUTSequence = [voi]
    inverted = image.get("PhotometricInterpretation") == "MONOCHROME1"
    made.PresentationLUTShape = "INVERSE" if inverted else "IDENTITY"


def _add_annotations(made: Dataset, names: Names, facts: ImageFacts) -> None:
    reading = names.content.reading
    drawn = [m for m in reading.measurements if m.view == facts.uid]
    marked = [outline for outline in reading.outlines if outline.view == facts.uid]
    written = remarks(names, facts.uid)
    layers: list[Dataset] = []
    annotations: list[Dataset] = []
    if marked:
        annotation = _annotation(VARIANTS)
        annotation.GraphicObjectSequence = [
            _graphic(outlines.drawn(o), outlines.graphic_type(o)) for o in marked
        ]
        annotation.TextObjectSequence = [_text(outlines.label(o), _highest(o)) for o in marked]
        annotations.append(annotation)
        layers.append(_layer(VARIANTS, "Normal variants", len(layers) + 1, _DIM))
    if drawn:
        annotation = _annotation(MEASURED)
        annotation.GraphicObjectSequence = [
            _graphic(line) for m in drawn for line in computed.lines(m)
        ]
        annotation.TextObjectSequence = [_value(m) for m in drawn]
        annotations.append(annotation)
        layers.append(_layer(MEASURED, "Measurements", len(layers) + 1))
    if written:
        annotation = _annotation(REMARKS)
        annotation.TextObjectSequence = list(_notes(written))
        annotations.append(annotation)
        layers.append(_layer(REMARKS, "Findings and normal variants", len(layers) + 1))
    if annotations:
        made.GraphicAnnotationSequence = annotations
        made.GraphicLayerSequence = layers


def _layer(name: str, description: str, order: int, grey: int = 65535) -> Dataset:
    layer = Dataset()
    layer.GraphicLayer = name
    layer.GraphicLayerOrder = order
    layer.GraphicLayerDescription = description
    layer.GraphicLayerRecommendedDisplayGrayscaleValue = grey
    return layer


def _annotation(layer: str) -> Dataset:
    annotation = Dataset()
    annotation.GraphicLayer = layer
    return annotation


def _graphic(points: Sequence[tuple[float, float]], kind: str = "POLYLINE") -> Dataset:
    """A line or an ellipse; both modules count from the corner of the first pixel."""
    item = Dataset()
    item.GraphicAnnotationUnits = "PIXEL"
    item.GraphicDimensions = 2
    item.NumberOfGraphicPoints = len(points)
    item.add_new(0x00700022, "FL", [axis for point in points for axis in point])
    item.GraphicType = kind
    item.GraphicFilled = "N"
    return item


def _value(measurement: Measurement) -> Dataset:
    shown = f"{computed.value_words(measurement)} {measurement.note.strip()}".strip()
    return _text(shown, _anchor(measurement))


def _text(words: str, anchor: tuple[float, float]) -> Dataset:
    item = Dataset()
    item.UnformattedTextValue = words
    item.AnchorPointAnnotationUnits = "PIXEL"
    item.add_new(0x00700014, "FL", list(anchor))
    item.AnchorPointVisibility = "N"
    return item


def _anchor(measurement: Measurement) -> tuple[float, float]:
    """Beside the vertex of an angle, the end of a length, or what was computed."""
    if measurement.computed is None:
        return measurement.points[1]
    points = measurement.points or measurement.computed.shapes[0].points
    return points[-1]


def _highest(outline: Outline) -> tuple[float, float]:
    return min(outline.points, key=lambda point: point[1])


def _notes(written: Sequence[str]) -> Iterator[Dataset]:
    """Lines from the lower left corner upwards, in the displayed area's own measure."""
    shown = list(written[:_MOST_REMARKS])
    if len(written) > _MOST_REMARKS:
        shown.append(f"and {len(written) - _MOST_REMARKS} more, see the report")
    start = 0.98 - _LINE * len(shown)
    for number, line in enumerate(shown):
        item = Dataset()
        item.BoundingBoxAnnotationUnits = "DISPLAY"
        item.UnformattedTextValue = line
        top = start + number * _LINE
        item.add_new(0x00700010, "FL", [0.02, top])
        item.add_new(0x00700011, "FL", [0.98, top + _LINE])
        item.BoundingBoxTextHorizontalJustification = "LEFT"
        yield item
