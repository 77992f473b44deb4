"""Every object that we write × every independent program that can read it.

The columns: dciodvfy (dicom3tools), dsrdump, dsr2xml with its XML schema and dcmpschk (DCMTK),
DicomSRValidator (PixelMed), highdicom, and pydicom's DICOM JSON model (PS3.18 Annex F). The host
viewer is another column, in tests/browser; archives are in test_archives.py.
"""

import json
import subprocess
from pathlib import Path

import highdicom
import pydicom
import pytest
from lxml import etree
from pydicom.dataset import Dataset

from dicom_service import validators
from dicom_service.conformance.compare import differences

pytestmark = pytest.mark.peer

REPORTS = ("template", "draft", "final", "addendum", "correction")
TREES = (*REPORTS, "measurements")
SELECTIONS = ("key-images", "withdrawal")
OTHERS = ("image-1", "image-2", "presentation-1", "report-pdf")
ALL = (*TREES, *SELECTIONS, *OTHERS)
SCHEMA = Path("/usr/share/dcmtk/dsr2xml.xsd")


def test_the_matrix_has_every_object_that_is_written(objects):
    assert set(objects) == set(ALL)


@pytest.mark.parametrize("name", ALL)
def test_dciodvfy_finds_no_error(name, folder):
    assert validators.dciodvfy_errors(folder / f"{name}.dcm") == []


@pytest.mark.parametrize("name", [*TREES, *SELECTIONS])
def test_dsrdump_shows_the_tree(name, folder, program):
    path = folder / f"{name}.dcm"
    done = subprocess.run([program("dsrdump"), "-q", path], capture_output=True, check=True)
    assert len(done.stdout.splitlines()) > 5


@pytest.mark.parametrize("name", [*TREES, *SELECTIONS])
def test_dsr2xml_writes_xml_that_its_schema_takes(name, folder, program):
    path = folder / f"{name}.dcm"
    command = [program("dsr2xml"), "-q", "+Xn", "+U8", path]
    done = subprocess.run(command, capture_output=True, check=True)
    etree.XMLSchema(etree.parse(SCHEMA)).assertValid(etree.fromstring(done.stdout))


def test_the_schema_refuses_what_is_not_a_report():
    assert not etree.XMLSchema(etree.parse(SCHEMA)).validate(etree.fromstring("<report/>"))


@pytest.mark.parametrize(
    "name",
    [
        *("final", "measurements", "withdrawal"),
        *(
            pytest.param(name, marks=pytest.mark.long)
            for name in ("template", "draft", "addendum", "correction", "key-images")
        ),
    ],
)
def test_the_template_validator_has_no_objection(name, folder):
    assert validators.template_errors(folder / f"{name}.dcm") == []


def test_dcmpschk_takes_the_presentation_state(folder):
    assert validators.dcmpschk_errors(folder / "presentation-1.dcm") == []


@pytest.mark.parametrize("name", TREES)
def test_highdicom_reads_reports(name, folder):
    read = highdicom.sr.srread(folder / f"{name}.dcm")
    assert len(read.content) > 0


def test_highdicom_finds_each_measurement_with_its_place(folder):
    read = highdicom.sr.srread(folder / "measurements.dcm")
    groups = read.content.get_planar_roi_measurement_groups()
    groups += read.content.get_image_measurement_groups()
    assert groups
    assert all(group.tracking_uid for group in groups)


@pytest.mark.parametrize("name", SELECTIONS)
def test_highdicom_reads_selections(name, objects):
    read = highdicom.ko.KeyObjectSelectionDocument.from_dataset(objects[name])
    assert read.content.get_references()


@pytest.mark.parametrize("name", ALL)
def test_nothing_is_lost_on_the_way_through_dicom_json(name, objects):
    sent = objects[name]
    came = Dataset.from_json(json.dumps(sent.to_json_dict()))
    assert list(differences(sent, came)) == []
    assert list(differences(came, sent)) == []


def test_dcmtk_takes_the_pdf_out_unchanged(folder, objects, program, tmp_path):
    target = tmp_path / "report.pdf"
    subprocess.run([program("dcm2pdf"), "-q", folder / "report-pdf.dcm", target], check=True)
    held = objects["report-pdf"]
    assert target.read_bytes() == held.EncapsulatedDocument[: held.EncapsulatedDocumentLength]
    assert target.read_bytes().startswith(b"%PDF-")


def test_dcmtk_and_pydicom_agree_on_every_text(folder, program):
    """Names and free text beyond ASCII, read by another implementation."""
    done = subprocess.run(
        [program("dcm2json"), "-q", folder / "final.dcm"], capture_output=True, check=True
    )
    came = Dataset.from_json(done.stdout.decode("utf-8"))
    sent = pydicom.dcmread(folder / "final.dcm")
    del came[0x00020000:0x00030000]
    assert list(differences(sent, came)) == []
