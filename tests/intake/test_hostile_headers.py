"""Whatever bytes a header holds, the study is described."""

from collections.abc import Callable

import pytest
from hypothesis import given
from hypothesis import strategies as st
from pydicom import Dataset
from pydicom.datadict import dictionary_VR
from pydicom.dataelem import RawDataElement
from pydicom.sequence import Sequence
from pydicom.tag import Tag

from dicom_service.intake import StudyFacts, describe

READ = [
    "SpecificCharacterSet", "SOPClassUID", "SOPInstanceUID", "StudyInstanceUID", "StudyDate",
    "SeriesNumber", "InstanceNumber", "Rows", "Columns", "PatientName", "PatientID", "PatientAge",
    "PatientBirthDate", "PatientSex", "PatientSexNeutered", "PatientSpeciesDescription",
    "PatientSpeciesCodeSequence", "PatientBreedCodeSequence", "ResponsiblePerson",
    "AnatomicRegionSequence", "BodyPartExamined", "ViewCodeSequence", "ViewPosition",
    "ImageLaterality", "PatientOrientation", "AnatomicalOrientationType", "PixelSpacing",
    "ImagerPixelSpacing", "PixelSpacingCalibrationType", "DeviationIndex", "ExposureIndex",
    "TargetExposureIndex", "KVP", "Exposure", "ExposureInuAs", "XRayTubeCurrent",
    "RequestAttributesSequence", "ReasonForTheRequestedProcedure", "PresentationIntentType",
]  # fmt: skip


def _put(header: Dataset, keyword: str, raw: bytes) -> None:
    tag = Tag(keyword)
    header[tag] = RawDataElement(tag, dictionary_VR(tag), len(raw), raw, 0, False, True)


@given(st.dictionaries(st.sampled_from(READ), st.binary(max_size=24), max_size=6))
def test_any_bytes_in_any_attribute(header: Callable, raw: dict[str, bytes]) -> None:
    broken = header()
    for keyword, value in raw.items():
        _put(broken, keyword, value)
    assert isinstance(describe([broken, header()]), StudyFacts)


@pytest.mark.parametrize("keyword", [k for k in READ if dictionary_VR(k) == "SQ"])
def test_empty_items_in_every_sequence(keyword: str, header: Callable) -> None:
    broken = header()
    setattr(broken, keyword, Sequence([Dataset(), Dataset()]))
    assert isinstance(describe([broken]), StudyFacts)


def test_an_empty_header_is_no_image_and_breaks_nothing() -> None:
    assert describe([Dataset()]).images == ()
