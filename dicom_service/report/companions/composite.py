"""What every companion of a report shares: animal, study, series, equipment, file."""

from collections.abc import Sequence
from datetime import datetime
from typing import NamedTuple

from pydicom.dataset import Dataset

from dicom_service.report import header
from dicom_service.report import items as sr
from dicom_service.report.model import Device, ReportContent
from dicom_service.report.originals import keep_originals
from dicom_service.report.patient import add_patient_and_study


class Place(NamedTuple):
    """Which instance is made, in which series, when, and what its series is called."""

    sop_instance_uid: str
    series_uid: str
    series_number: int
    at: datetime
    instance_number: int = 1


class Made(NamedTuple):
    """The kind of object: class, modality, description of its series."""

    sop_class_uid: str
    modality: str
    title: str


def composite(
    content: ReportContent,
    evidence: Sequence[Dataset],
    device: Device,
    place: Place,
    made: Made,
) -> Dataset:
    """An object of the study with everything but what its own kind asks for.

    The animal's attributes are those of the report: an object without them is filed as a
    human's by readers that infer the species from their presence.
    """
    dataset = Dataset()
    dataset.file_meta = header.file_meta(made.sop_class_uid, place.sop_instance_uid)
    dataset.SpecificCharacterSet = "ISO_IR 192"
    dataset.SOPClassUID = made.sop_class_uid
    dataset.SOPInstanceUID = place.sop_instance_uid
    add_patient_and_study(dataset, content, evidence)
    keep_originals(dataset, evidence, place.at, header.MAKER)
    dataset.Modality = made.modality
    dataset.SeriesInstanceUID = place.series_uid
    dataset.SeriesNumber = place.series_number
    dataset.SeriesDescription = made.title
    dataset.InstanceNumber = place.instance_number
    dataset.SeriesDate = dataset.InstanceCreationDate = date(place)
    dataset.SeriesTime = dataset.InstanceCreationTime = time(place)
    dataset.TimezoneOffsetFromUTC = sr.dicom_datetime(place.at)[-5:]
    header.add_equipment(dataset, device)
    return dataset


def add_content_moment(dataset: Dataset, place: Place) -> None:
    """Content Date and Time, for the kinds that have them."""
    dataset.ContentDate, dataset.ContentTime = date(place), time(place)


def date(place: Place) -> str:
    """The day as DICOM writes it."""
    return place.at.strftime("%Y%m%d")


def time(place: Place) -> str:
    """The time of day as DICOM writes it."""
    return place.at.strftime("%H%M%S.%f")


def is_grey_image(image: Dataset) -> bool:
    """Whether an instance is a picture that a grayscale presentation state can be of."""
    return "Rows" in image and int(image.get("SamplesPerPixel") or 1) == 1
