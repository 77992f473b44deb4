"""The real limb radiograph of the PyPI package pydicom-data, through the whole job.

Source: pydicom-data (CR, MONOCHROME1, human lower leg, no spacing). It is the one image here
that we did not make; it must be treated honestly.
"""

import pydicom
import pytest
from pydicom.data import get_testdata_file

from dicom_service.review.model import Reading, Template
from test_pacs.reader import normal_reading, with_finding
from test_pacs.sending import send
from tests.job.helpers import PASSWORD

NAME = "RG3_UNCR.dcm"


@pytest.fixture(scope="module")
def radiograph() -> pydicom.Dataset:
    path = get_testdata_file(NAME, download=False)
    assert path, f"{NAME} comes with the package pydicom-data (test extra)"
    return pydicom.dcmread(path)


def test_a_human_image_without_spacing_is_read_with_its_limits_said(clinic, reader, radiograph):
    uid = str(radiograph.StudyInstanceUID)
    send([radiograph], clinic.archive.port, clinic.archive.ae_title)
    reader.wait_for(uid, "waiting")
    opened = reader.open(uid)
    said = " ".join(remark["text"].lower() for remark in opened["facts"]["remarks"])
    assert "species" in said
    assert "calibrat" in said
    template = Template.model_validate(opened["template"])
    reading = normal_reading(template, Reading.model_validate(opened["reading"]))
    bone = next(item for item in template.items if item.section == "bone")
    reading = with_finding(
        template,
        reading,
        bone.structure,
        [],
        points=[(700.0, 930.0), (700.0, 1030.0)],
        impression="Test reading of a human image.",
    )
    saved = reader.save(uid, opened["version"], reading)
    (measured,) = saved["reading"]["measurements"]
    assert (measured["value"], measured["unit"]) == (pytest.approx(100.0), "px")
    reader.sign(uid, saved["version"], PASSWORD)
    row = reader.wait_for(uid, "committed", "refused")
    assert row["delivery"] == "committed", row
    for document in clinic.archive.stored(uid):
        if document.Modality == "SR":
            assert "PatientSpeciesDescription" not in document
