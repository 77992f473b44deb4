"""An invented dog's carpus, as a camera that sets everything would describe it."""

import warnings
from collections.abc import Callable

import pytest
from pydicom import Dataset
from pydicom.uid import generate_uid

from dicom_service.anatomy import atlas
from dicom_service.intake import Remark, StudyFacts, describe

CR = "1.2.840.10008.5.1.4.1.1.1"
DOG = ("448771007", "SCT", "Canis lupus familiaris")
CARPUS = ("8205005", "SCT", "Carpus")


def coded(value: str, scheme: str, meaning: str) -> Dataset:
    item = Dataset()
    item.CodeValue, item.CodingSchemeDesignator, item.CodeMeaning = value, scheme, meaning
    return item


def _header(**values: object) -> Dataset:
    header = Dataset()
    header.SpecificCharacterSet = "ISO_IR 192"
    header.SOPClassUID = CR
    header.SOPInstanceUID = generate_uid()
    header.StudyInstanceUID = "1.2.3"
    header.SeriesInstanceUID = "1.2.3.4"
    header.SeriesNumber = header.InstanceNumber = 1
    header.PatientID = "A1"
    header.PatientName = "Müller^Bella"
    header.PatientSpeciesCodeSequence = [coded(*DOG)]
    header.PatientBreedDescription = "Mixed"
    header.PatientAge = "009M"
    header.PatientSex = "F"
    header.PatientSexNeutered = "ALTERED"
    header.ResponsiblePerson = "Müller^Ute"
    header.StudyDate = "20240310"
    header.AnatomicRegionSequence = [coded(*CARPUS)]
    header.ViewPosition = "ML"
    header.ImageLaterality = "R"
    header.AnatomicalOrientationType = "QUADRUPED"
    header.PatientOrientation = ["PA", "DI"]
    header.PixelSpacing = [0.1, 0.1]
    header.ImagerPixelSpacing = [0.12, 0.12]
    header.PixelSpacingCalibrationType = "FIDUCIAL"
    header.Rows, header.Columns = 300, 200
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")  # malformed values are what some tests are about
        for keyword, value in values.items():
            if value is None:
                delattr(header, keyword)
            else:
                setattr(header, keyword, value)
    return header


@pytest.fixture(scope="session", autouse=True)
def _anatomy() -> None:
    """Read the anatomy before any test is timed."""
    atlas()


@pytest.fixture(scope="session")
def header() -> Callable[..., Dataset]:
    """Makes a header of an ML of a dog's right carpus; None deletes an attribute."""
    return _header


@pytest.fixture
def dpa(header: Callable[..., Dataset]) -> Dataset:
    return header(ViewPosition="DPA", PatientOrientation=["L", "DI"], InstanceNumber=2)


@pytest.fixture
def facts(header: Callable[..., Dataset], dpa: Dataset) -> Callable[..., StudyFacts]:
    """Describes an otherwise complete study whose ML image has these values."""

    def describe_with(**values: object) -> StudyFacts:
        return describe([header(**values), dpa])

    return describe_with


@pytest.fixture
def remark() -> Callable[[StudyFacts, str], Remark]:
    """The only remark with this key."""

    def only(facts: StudyFacts, key: str) -> Remark:
        (found,) = [r for r in facts.remarks if r.key == key]
        return found

    return only
