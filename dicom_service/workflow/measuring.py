"""From a stored image to a measurement: pixels decoded, spacing read, the pure part asked."""

from pathlib import Path

import numpy as np
import pydicom
from pydicom import Dataset

from dicom_service.errors import BadObject, NotFound
from dicom_service.imaging import check_stream
from dicom_service.intake.spacing import read_spacing
from dicom_service.measure import (
    Measured,
    MeasureRequest,
    NotMeasurable,
    Picture,
    measure,
    picture,
    refused,
)
from dicom_service.measure.raster import MOST_PIXELS
from dicom_service.store import Store

LOSSY = "the image was compressed with loss: fine edges may be moved"


class StudyMeasureRequest(MeasureRequest):
    """A request on one image of a study, with a second image as control of a swelling."""

    image_uid: str
    control_uid: str = ""
    control_points: tuple[tuple[float, float], ...] = ()


def measure_in_study(store: Store, study_uid: str, asked: StudyMeasureRequest) -> Measured:
    """A measurement on an image of this study.

    Raises
    ------
    NotFound
        The image is not in the study.
    Refused
        The request itself is wrong.
    """
    control: Measured | None = None
    if asked.control_uid:
        plain = MeasureRequest(kind=asked.kind, points=asked.control_points)
        control = measure_file(_path(store, study_uid, asked.control_uid), plain)
    fields = asked.model_dump(exclude={"image_uid", "control_uid", "control_points"})
    return measure_file(_path(store, study_uid, asked.image_uid), MeasureRequest(**fields), control)


def _path(store: Store, study_uid: str, image_uid: str) -> Path:
    found = store.instances(study_uid, None, image_uid)
    if not found:
        raise NotFound(f"The study has no image {image_uid}.")
    return found[0].path


def measure_file(path: Path, request: MeasureRequest, control: Measured | None = None) -> Measured:
    """A measurement on a DICOM file; what the image does not allow is said in `refusal`."""
    try:
        pic, doubts = load(path)
    except NotMeasurable as refusal:
        return refused(request.kind, refusal)
    found = measure(request, pic, control)
    return found.model_copy(update={"doubts": (*found.doubts, *doubts)})


def load(path: Path) -> tuple[Picture, tuple[str, ...]]:
    """The picture of a file, and what is doubtful about its pixels.

    Raises
    ------
    BadObject
        Not a readable DICOM image.
    NotMeasurable
        An image of a kind that cannot be measured.
    """
    try:
        data = pydicom.dcmread(path)
        _check_header(data)
        check_stream(data, data)
        pixels = data.pixel_array
    except NotMeasurable:
        raise
    except Exception as error:  # decoders raise what they like
        raise BadObject(f"{path.name} has no pixels that can be read: {error}") from error
    inverted = data.get("PhotometricInterpretation") == "MONOCHROME1"
    if np.issubdtype(pixels.dtype, np.signedinteger):
        pixels = pixels.astype(np.int32)
    spacing = read_spacing(data).spacing
    doubts = (LOSSY,) if data.get("LossyImageCompression") == "01" else ()
    return picture(pixels, spacing, inverted=inverted), doubts


def _check_header(data: Dataset) -> None:
    rows, columns = int(data.get("Rows") or 0), int(data.get("Columns") or 0)
    if int(data.get("SamplesPerPixel") or 1) != 1 or int(data.get("NumberOfFrames") or 1) != 1:
        raise NotMeasurable("Only single grey-level images can be measured, not colour or loops.")
    if rows * columns > MOST_PIXELS:
        raise NotMeasurable(f"The image of {columns} by {rows} pixels is too large to measure.")
