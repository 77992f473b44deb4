"""The reading that a reader starts from: history and technique, written from the headers."""

from dicom_service.anatomy import Atlas
from dicom_service.anatomy import atlas as default_atlas
from dicom_service.intake.model import ImageFacts, Side, SpacingKind, StudyFacts
from dicom_service.review.model import Reading, Template
from dicom_service.review.template import image_regions

_SIDES: dict[Side, str] = {"L": "left", "R": "right", "B": "left and right", "U": "side not stated"}
_SPACING: dict[SpacingKind, str] = {
    "fiducial": "calibrated by an object of known size",
    "geometry": "corrected by an assumed geometry",
    "detector": "spacing at detector plane",
    "unknown": "spacing of unknown calibration",
    "none": "no spacing",
}


def opening_reading(
    facts: StudyFacts, template: Template, *, atlas: Atlas | None = None
) -> Reading:
    """A reading with nothing observed: the question as history, the images as technique."""
    return Reading(
        template_revision=template.revision,
        history=facts.question.strip()[:20000],
        technique=technique(facts, template, atlas or default_atlas())[:20000],
    )


def technique(facts: StudyFacts, template: Template, known: Atlas) -> str:
    """One sentence that lists the images by side, part of the limb, view and calibration."""
    images = {image.uid: image for image in facts.images}
    said = [_image(known, images[v.uid], v.label) for v in template.views if v.uid in images]
    if not said:
        return "The study has no images that can be read."
    count = "1 radiograph" if len(said) == 1 else f"{len(said)} radiographs"
    return f"{count}{_date(facts.study_date)}: {'; '.join(said)}."


def _image(known: Atlas, image: ImageFacts, label: str) -> str:
    parts = " and ".join(known.part(region).name for region in image_regions(image))
    # The template's label begins with the side where there are several; here it is spelt out.
    view = label.removeprefix(f"{image.side} ")
    return f"{_SIDES[image.side]} {parts}, {view} ({_SPACING[image.spacing.kind]})"


def _date(dicom: str) -> str:
    if len(dicom) == 8 and dicom.isdigit():
        return f" of {dicom[:4]}-{dicom[4:6]}-{dicom[6:]}"
    return ""
