"""QIDO-RS as the host viewer and other clients use it."""

import pytest
from pydicom.uid import generate_uid

from dicom_service.web.dicomweb.matching import matches
from tests.web.conftest import FOR_PROCESSING, SR, dataset, image

STUDIES = "/dicomweb/studies"


def _uids(answer):
    return [] if answer.status_code == 204 else [s["0020000D"]["Value"][0] for s in answer.json]


@pytest.fixture
def two_studies(keep):
    first = image(PatientName="Brandt^Pip", PatientID="P1", StudyDate="20260301")
    second = image(PatientName="Ahlgren^Nix", PatientID="P2", StudyDate="20260215", Modality="DX")
    keep(first)
    keep(second)
    return first.StudyInstanceUID, second.StudyInstanceUID


def test_the_viewers_own_search_finds_the_study(reader, two_studies):
    first, _ = two_studies
    answer = reader.get(
        f"{STUDIES}?limit=101&offset=0&fuzzymatching=false"
        f"&includefield=00081030,00080060,00080090,00100030&StudyInstanceUID={first}",
        headers={"Accept": "application/dicom+json"},
    )
    assert answer.content_type == "application/dicom+json"
    (study,) = answer.json
    assert study["0020000D"] == {"vr": "UI", "Value": [first]}
    assert study["00100010"] == {"vr": "PN", "Value": [{"Alphabetic": "Brandt^Pip"}]}
    assert study["00080061"]["Value"] == ["CR"]
    assert study["00201208"] == {"vr": "IS", "Value": [1]}
    assert study["00081030"]["Value"] == ["Carpus left"]
    assert study["00100030"] == {"vr": "DA"}, "asked for and empty: there without a value"
    assert study["00081190"]["Value"] == [f"http://localhost/dicomweb/studies/{first}"]


@pytest.mark.parametrize(
    ("query", "found"),
    [
        ("", {0, 1}),
        ("00100020=P1", {0}),
        ("PatientID=P2", {1}),
        ("PatientID=P?", {0, 1}),
        ("PatientID=p1", set()),
        ("PatientName=brandt*", {0}),
        ("PatientName=*n^*", {1}),
        ("PatientName=*", {0, 1}),
        ("PatientName=[A-B]*", set()),
        ("StudyDate=20260301", {0}),
        ("StudyDate=20260201-20260228", {1}),
        ("StudyDate=20260216-", {0}),
        ("StudyDate=-20260301", {0, 1}),
        ("ModalitiesInStudy=DX", {1}),
        ("AccessionNumber=A1", {0, 1}),
        ("PatientID=P1&ModalitiesInStudy=DX", set()),
        ("StudyInstanceUID=1.2.3", set()),
        ("PatientID=", {0, 1}),
    ],
)
def test_studies_are_matched_as_the_standard_says(reader, two_studies, query, found):
    answer = reader.get(f"{STUDIES}?{query}")
    assert set(_uids(answer)) == {two_studies[index] for index in found}
    assert answer.status_code == (200 if found else 204)


def test_several_uids_find_several_studies(reader, two_studies):
    both = ",".join(two_studies)
    assert set(_uids(reader.get(f"{STUDIES}?StudyInstanceUID={both}"))) == set(two_studies)


def test_limit_and_offset_page_through_the_newest_first(reader, two_studies):
    assert _uids(reader.get(f"{STUDIES}?limit=1")) == [two_studies[1]]
    assert _uids(reader.get(f"{STUDIES}?limit=1&offset=1")) == [two_studies[0]]
    assert reader.get(f"{STUDIES}?limit=1&offset=2").status_code == 204


@pytest.mark.parametrize(
    "query",
    [
        "Patient=x",
        "fuzzymatching=true",
        "limit=-1",
        "StudyInstanceUID=../x",
        "PatientID=" + "x" * 2000,
    ],
)
def test_a_search_that_cannot_be_done_as_asked_is_refused(reader, query):
    assert reader.get(f"{STUDIES}?{query}").status_code == 400


def test_series_of_a_study_are_found_and_filtered(reader, keep):
    study = generate_uid()
    first = image(study=study, SeriesDescription="DPa")
    report = dataset(sop_class=SR, study=study, Modality="SR", SeriesNumber=9)
    keep(first, report)
    path = f"{STUDIES}/{study}/series?includefield=00080021,00080031,0008103E,00200011"
    found = reader.get(path).json
    assert [s["00080060"]["Value"] for s in found] == [["CR"], ["SR"]]
    assert found[0]["0008103E"]["Value"] == ["DPa"]
    assert found[0]["00201209"]["Value"] == [1]
    (only,) = reader.get(f"{path}&SeriesInstanceUID={report.SeriesInstanceUID}").json
    assert only["0020000E"]["Value"] == [report.SeriesInstanceUID]
    assert reader.get(f"{path}&Modality=MR").status_code == 204


def test_instances_of_a_study_and_of_a_series(reader, keep):
    first = image(InstanceNumber=2)
    study, series = first.StudyInstanceUID, first.SeriesInstanceUID
    second = image(study=study, series=series, InstanceNumber=1)
    other = image(study=study, SeriesNumber=2)
    keep(first, second, other)
    whole = reader.get(f"{STUDIES}/{study}/instances").json
    assert [i["00080018"]["Value"][0] for i in whole] == [
        second.SOPInstanceUID,
        first.SOPInstanceUID,
        other.SOPInstanceUID,
    ]
    assert len(reader.get(f"{STUDIES}/{study}/series/{series}/instances").json) == 2
    (one,) = reader.get(
        f"/dicomweb/instances?StudyInstanceUID={study}&SOPInstanceUID={other.SOPInstanceUID}"
    ).json
    assert one["00280010"]["Value"] == [6]


def test_images_that_nobody_reads_are_left_out_unless_asked_for(reader, keep):
    raw = image(sop_class=FOR_PROCESSING, Modality="DX")
    shown = image(study=raw.StudyInstanceUID)
    keep(raw, shown)
    path = f"{STUDIES}/{raw.StudyInstanceUID}/series"
    assert len(reader.get(path).json) == 1
    assert len(reader.get(f"{path}?everything=true").json) == 2
    study = reader.get(f"{STUDIES}?StudyInstanceUID={raw.StudyInstanceUID}").json[0]
    assert study["00201208"]["Value"] == [1]


@pytest.mark.parametrize("path", ["1.9/series", "1.9/instances", "1.9/series/1.8/instances"])
def test_searching_in_an_unknown_study_is_not_found(reader, path):
    answer = reader.get(f"{STUDIES}/{path}")
    assert answer.status_code == 404
    assert answer.content_type == "application/problem+json"


def test_matching_many_wildcards_takes_no_time():
    record = {"00100020": {"vr": "LO", "Value": ["a" * 64]}}
    assert not matches(record, {"00100020": "a*" * 200 + "b"})
