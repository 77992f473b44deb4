"""From the headers of one study to the facts that a reading starts from."""

import warnings
from collections.abc import Iterable, Iterator, Sequence

from pydicom import Dataset
from pydicom.multival import MultiValue
from pydicom.uid import UID

from dicom_service.anatomy import Atlas
from dicom_service.anatomy import atlas as default_atlas
from dicom_service.intake.model import ImageFacts, Remark, StudyFacts
from dicom_service.intake.naming import read_names
from dicom_service.intake.orientation import Orientation, hang, parse_orientation, shows
from dicom_service.intake.remarks import image_remarks, study_remarks
from dicom_service.intake.signalment import read_signalment
from dicom_service.intake.spacing import read_exposure, read_spacing
from dicom_service.intake.unfit import unfit_values
from dicom_service.intake.values import codes, date, integer, items, text, value

RADIOGRAPHS = {
    "1.2.840.10008.5.1.4.1.1.1": "Computed Radiography",
    "1.2.840.10008.5.1.4.1.1.1.1": "Digital X-Ray, for presentation",
    "1.2.840.10008.5.1.4.1.1.1.3": "Digital Intra-Oral X-Ray, for presentation",
    "1.2.840.10008.5.1.4.1.1.7": "Secondary Capture (scanned film)",
}
"""Storage classes that are read; other images are kept."""
_QUESTION = (
    "ReasonForTheRequestedProcedure",
    "ReasonForVisit",
    "AdmittingDiagnosesDescription",
    "AdditionalPatientHistory",
    "RequestedProcedureComments",
)


def is_image(header: Dataset) -> bool:
    """Whether the object holds an image (and not a report, selection, state or document)."""
    name = UID(text(header, "SOPClassUID")).name
    if "Storage" in name:
        return "Image Storage" in name
    return integer(header, "Rows") > 0 and integer(header, "Columns") > 0


def for_reading(header: Dataset) -> bool:
    """Whether the object is a radiograph meant for people.

    Images for processing are raw data of the detector: kept, not read.
    """
    return (
        text(header, "SOPClassUID") in RADIOGRAPHS
        and text(header, "PresentationIntentType").upper() != "FOR PROCESSING"
        and _has_pixels(header)
    )


def _has_pixels(header: Dataset) -> bool:
    return integer(header, "Rows") > 0 and integer(header, "Columns") > 0


def describe(
    headers: Sequence[Dataset], *, species: str | None = None, atlas: Atlas | None = None
) -> StudyFacts:
    """What the headers of one study say, and what in them does not fit.

    Parameters
    ----------
    headers
        Data sets of all its objects, images and others, with or without pixel data.
    species
        Id of the species as the reader has put it right; None: what the headers say.
    atlas
        The anatomy to recognise names by; None: the one that comes with the product.

    Returns
    -------
    StudyFacts
        The images for reading, in the order of series and instance numbers; remarks on
        everything that is missing or contradicts.

    Raises
    ------
    Refused
        There is no such species.
    """
    atlas = atlas or default_atlas()
    with warnings.catch_warnings():
        # pydicom warns of each malformed value; here they become remarks, or empty values.
        warnings.simplefilter("ignore")
        return _describe(headers, species, atlas)


def _describe(headers: Sequence[Dataset], species: str | None, atlas: Atlas) -> StudyFacts:
    readable = sorted(filter(for_reading, headers), key=_order)
    # Images first: a report may carry an older signalment.
    by_weight = [*readable, *(h for h in headers if not for_reading(h))]
    study_date = _first_date(by_weight)
    signalment, about_patient = read_signalment(by_weight, study_date, atlas, species)
    images, about_images = _images(readable, signalment.species, atlas)
    return StudyFacts(
        study_uid=_first(by_weight, "StudyInstanceUID"),
        accession_number=_first(by_weight, "AccessionNumber"),
        study_date=study_date,
        study_time=_first(by_weight, "StudyTime"),
        description=_first(by_weight, "StudyDescription"),
        question=_question(by_weight),
        referring=_first(by_weight, "ReferringPhysicianName").rstrip("^= "),
        institution=_first(by_weight, "InstitutionName"),
        signalment=signalment,
        images=images,
        remarks=(
            *about_patient,
            *unfit_values(by_weight),
            *_kept_only(headers, images),
            *study_remarks(images, signalment.species, atlas),
            *about_images,
        ),
    )


def _order(header: Dataset) -> tuple[int, int, str]:
    numbers = integer(header, "SeriesNumber"), integer(header, "InstanceNumber")
    return (*numbers, text(header, "SOPInstanceUID"))


def _first(headers: Iterable[Dataset], keyword: str) -> str:
    return next((found for header in headers if (found := text(header, keyword))), "")


def _first_date(headers: Sequence[Dataset]) -> str:
    for keyword in ("StudyDate", "AcquisitionDate", "SeriesDate", "ContentDate"):
        for header in headers:
            found = date(header, keyword)
            if found:
                return found
    return ""


def _question(headers: Sequence[Dataset]) -> str:
    """The clinical question and history; the requested procedure when there is nothing else."""
    found: dict[str, None] = {}
    for keyword in _QUESTION:
        found.update(dict.fromkeys(filter(None, (text(h, keyword) for h in headers))))
        if keyword == _QUESTION[0]:
            found.update(dict.fromkeys(_reasons(headers)))
    if not found:
        return _first(headers, "RequestedProcedureDescription")
    return "; ".join(found)


def _reasons(headers: Sequence[Dataset]) -> Iterator[str]:
    for header in headers:
        for code in codes(header, "ReasonForRequestedProcedureCodeSequence"):
            yield code.meaning
        for request in items(header, "RequestAttributesSequence"):
            reason = text(request, "ReasonForTheRequestedProcedure")
            if reason:
                yield reason


def _images(
    headers: Sequence[Dataset], species: str | None, atlas: Atlas
) -> tuple[tuple[ImageFacts, ...], tuple[Remark, ...]]:
    images: list[ImageFacts] = []
    remarks: list[Remark] = []
    seen: set[str] = set()
    for header in headers:
        uid = text(header, "SOPInstanceUID")
        if uid in seen:
            continue
        seen.add(uid)
        image, problems = _image(header, uid, species, atlas)
        images.append(image)
        remarks += image_remarks(image, problems, atlas)
    return tuple(images), tuple(remarks)


def _image(
    header: Dataset, uid: str, species: str | None, atlas: Atlas
) -> tuple[ImageFacts, tuple[tuple[str, str], ...]]:
    names = read_names(header, atlas, species)
    view = "".join(names.view.value)
    measured = read_spacing(header)
    orientation = _orientation(header, species is not None)
    hanging = hang(orientation)
    image = ImageFacts(
        uid=uid,
        series_uid=text(header, "SeriesInstanceUID"),
        sop_class_uid=text(header, "SOPClassUID"),
        series_number=integer(header, "SeriesNumber"),
        instance_number=integer(header, "InstanceNumber"),
        rows=integer(header, "Rows"),
        columns=integer(header, "Columns"),
        regions=names.regions.value,
        region_found_in=names.regions.found_in,
        region_confidence=names.regions.confidence,
        digits=names.digits,
        view=view,
        view_found_in=names.view.found_in,
        view_confidence=names.view.confidence,
        side=names.side,
        spacing=measured.spacing,
        exposure=read_exposure(header),
        rotation=hanging.rotation,
        flip_horizontal=hanging.flip_horizontal,
        hung=hanging.hung,
    )
    spacing = tuple(("spacing", problem.sentence) for problem in measured.problems)
    return image, (
        *names.problems,
        *_turned_wrong(header, view, orientation, atlas),
        *spacing,
    )


def _turned_wrong(
    header: Dataset, view: str, orientation: Orientation | None, atlas: Atlas
) -> Iterator[tuple[str, str]]:
    kinds = {"lateral": ("ML",), "frontal": ("DPa", "DPl", "CrCd")}
    shown = shows(orientation)
    for kind, labels in kinds.items():
        if shown not in ("", kind) and any(atlas.is_view_or_like(view, label) for label in labels):
            yield (
                "orientation_view",
                f"Patient Orientation '{text(header, 'PatientOrientation')}' is that of a {shown} "
                f"view, but the view is {view}; check view and mirroring",
            )


def _orientation(header: Dataset, animal: bool) -> Orientation | None:
    found = value(header, "PatientOrientation")
    values = tuple(str(v) for v in found) if isinstance(found, MultiValue) else ()
    stated = text(header, "AnatomicalOrientationType").upper()
    return parse_orientation(values, stated, animal)


def _kept_only(headers: Sequence[Dataset], images: Sequence[ImageFacts]) -> Iterator[Remark]:
    """Images that are kept and not read, and why."""
    read = {image.uid for image in images}
    reasons: dict[str, list[str]] = {"for_processing": [], "no_pixels": [], "not_radiograph": []}
    for header in headers:
        uid = text(header, "SOPInstanceUID")
        if uid in read or not is_image(header):
            continue
        processing = "For Processing" in UID(text(header, "SOPClassUID")).name or (
            text(header, "PresentationIntentType").upper() == "FOR PROCESSING"
        )
        key = "for_processing" if processing else "not_radiograph"
        reasons[key if _has_pixels(header) else "no_pixels"].append(uid)
    for key, uids in reasons.items():
        if uids:
            count = "1 image is" if len(uids) == 1 else f"{len(uids)} images are"
            yield Remark(
                key=key,
                severity="warning" if key == "no_pixels" else "note",
                text=f"{count} {_KEPT[key]}",
                image_uid=uids[0] if len(uids) == 1 else "",
            )
    if not images:
        yield Remark(
            key="no_images",
            severity="warning",
            text="The study has no radiograph to read; send its images for presentation.",
        )


_KEPT = {
    "for_processing": "raw detector data (for processing): kept, not read; send the image for "
    "presentation if it is not here.",
    "no_pixels": "without pixel data (no rows or columns): kept, not read; send again.",
    "not_radiograph": "of another kind than a plain radiograph: kept, not read here.",
}
