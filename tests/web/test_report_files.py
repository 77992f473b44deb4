"""The report as files, for whoever may read it."""

import pytest

from dicom_service.review.model import Reading

UID = "1.2.3"
FILES = {
    "report.pdf": ("application/pdf", b"%PDF-"),
    "report.txt": ("text/plain", b"IMPRESSION\nNormal."),
    "report.fhir.json": ("application/fhir+json", b'{"resourceType": "Bundle"}'),
}


@pytest.fixture
def address(desk):
    desk.readings[UID] = (0, Reading(impression="Normal."))
    return f"/api/studies/{UID}"


@pytest.mark.parametrize(("name", "expected"), FILES.items())
def test_each_form_of_the_report_is_a_file_with_its_media_type(reader, address, name, expected):
    answer = reader.get(f"{address}/{name}")
    assert (answer.mimetype, answer.data) == expected
    assert f"report-{UID}." in answer.headers["Content-Disposition"]
    assert "private" in answer.headers["Cache-Control"]


def test_an_older_version_is_printed_when_it_is_asked_for(reader, address):
    assert reader.get(f"{address}/report.pdf?document=1.2.3.4").data == b"%PDF-1.2.3.4"
    assert reader.get(f"{address}/report.pdf?document=../1").status_code == 400


@pytest.mark.parametrize("name", FILES)
def test_nobody_gets_a_report_without_signing_in(client, address, name):
    assert client.get(f"{address}/{name}").status_code == 401


@pytest.mark.parametrize("name", FILES)
def test_an_unknown_study_has_no_report(reader, name):
    assert reader.get(f"/api/studies/9.9/{name}").status_code == 404
