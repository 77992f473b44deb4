"""The archive finds by the standard's matching rules and sends by C-MOVE and C-GET."""

from collections.abc import Callable
from pathlib import Path

import pytest
from pydicom import Dataset, dcmread
from pydicom.uid import RLELossless, generate_uid
from pynetdicom import AE, build_role, evt

from test_pacs.archive import Archive

STUDY_FIND = "1.2.840.10008.5.1.4.1.2.2.1"
STUDY_GET = "1.2.840.10008.5.1.4.1.2.2.3"
PATIENT_FIND = "1.2.840.10008.5.1.4.1.2.1.1"
CR = "1.2.840.10008.5.1.4.1.1.1"


@pytest.fixture
def find(archive: Archive) -> Callable[..., tuple[list[Dataset], int]]:
    def ask(level: str, model: str = STUDY_FIND, **keys: object) -> tuple[list[Dataset], int]:
        query = Dataset()
        query.SpecificCharacterSet = "ISO_IR 192"
        query.QueryRetrieveLevel = level
        for keyword, value in keys.items():
            setattr(query, keyword, value)
        ae = AE("ASKER")
        ae.add_requested_context(model)
        association = ae.associate("127.0.0.1", archive.port)
        assert association.is_established
        answers = list(association.send_c_find(query, model))
        association.release()
        return [answer for _, answer in answers if answer is not None], answers[-1][0].Status

    return ask


@pytest.mark.parametrize(
    ("keys", "found"),
    [
        ({"PatientName": "rex*"}, {"A"}),
        ({"PatientName": "R?x*"}, {"A"}),
        ({"PatientName": "Rex"}, {"A"}),
        ({"PatientName": "*軽*"}, {"B"}),
        ({"StudyDate": "20240101-20240331"}, {"A"}),
        ({"StudyDate": "20240311-"}, {"B"}),
        ({"StudyDate": "-20240310"}, {"A"}),
        ({"StudyDate": "20240310"}, {"A"}),
        ({"StudyTime": "1000-1100"}, {"A", "B"}),
        ({"StudyTime": "1016-"}, set()),
        ({"AccessionNumber": "A"}, {"A"}),
        ({"AccessionNumber": "a"}, set()),
        ({"AccessionNumber": ""}, {"A", "B"}),
        ({"ModalitiesInStudy": "DX"}, {"B"}),
        ({"StudyDescription": "Car*"}, {"A", "B"}),
        ({"PatientSpeciesDescription": "cat"}, set()),
    ],
)
def test_studies_match(
    keys: dict, found: set, archive: Archive, make_image: Callable, find: Callable
) -> None:
    archive.put(
        make_image(AccessionNumber="A"),
        make_image(AccessionNumber="B", PatientName="Kéa^軽", StudyDate="20240412", Modality="DX"),
    )
    answers, status = find("STUDY", **({"AccessionNumber": ""} | keys))
    assert {a.AccessionNumber for a in answers} == found
    assert status == 0


def test_a_list_of_uids_matches_each(
    archive: Archive, make_image: Callable, find: Callable
) -> None:
    images = [make_image() for _ in range(3)]
    archive.put(*images)
    wanted = [str(image.StudyInstanceUID) for image in images[:2]]
    answers, _ = find("STUDY", StudyInstanceUID=wanted)
    assert {a.StudyInstanceUID for a in answers} == set(wanted)


def test_an_answer_counts_and_names_what_was_asked(
    archive: Archive, make_image: Callable, find: Callable
) -> None:
    study = generate_uid()
    archive.put(
        make_image(StudyInstanceUID=study, PatientName="Kéa^軽"),
        make_image(StudyInstanceUID=study, Modality="DX", PatientName="Kéa^軽"),
    )
    (answer,), _ = find(
        "STUDY",
        PatientName="",
        ModalitiesInStudy="",
        NumberOfStudyRelatedInstances=None,
        NumberOfStudyRelatedSeries=None,
    )
    assert str(answer.PatientName) == "Kéa^軽"
    assert list(answer.ModalitiesInStudy) == ["CR", "DX"]
    assert answer.NumberOfStudyRelatedInstances == 2
    assert answer.NumberOfStudyRelatedSeries == 2
    assert answer.RetrieveAETitle == "ARCHIVE"
    assert "StudyDescription" not in answer


def test_series_and_images_are_found_below_their_study(
    archive: Archive, make_image: Callable, find: Callable
) -> None:
    image = make_image()
    sibling = make_image(
        StudyInstanceUID=image.StudyInstanceUID, SeriesInstanceUID=image.SeriesInstanceUID
    )
    archive.put(image, sibling, make_image())
    study, series = str(image.StudyInstanceUID), str(image.SeriesInstanceUID)
    answers, _ = find(
        "SERIES", StudyInstanceUID=study, SeriesInstanceUID="", NumberOfSeriesRelatedInstances=None
    )
    assert [(a.SeriesInstanceUID, a.NumberOfSeriesRelatedInstances) for a in answers] == [
        (series, 2)
    ]
    answers, _ = find(
        "IMAGE", StudyInstanceUID=study, SeriesInstanceUID=series, SOPInstanceUID="", Rows=None
    )
    assert {a.SOPInstanceUID for a in answers} == {image.SOPInstanceUID, sibling.SOPInstanceUID}
    assert {a.Rows for a in answers} == {64}


def test_a_level_without_the_keys_above_it_is_refused(
    archive: Archive, make_image: Callable, find: Callable
) -> None:
    archive.put(make_image())
    assert find("SERIES", SeriesInstanceUID="")[1] == 0xA900
    assert find("PATIENT", PatientID="")[1] == 0xA900  # not a level of Study Root


def test_patient_root_answers_patients(
    archive: Archive, make_image: Callable, find: Callable
) -> None:
    archive.put(make_image(PatientID="A1"), make_image(PatientID="A1"), make_image(PatientID="B2"))
    answers, _ = find("PATIENT", PATIENT_FIND, PatientID="", NumberOfPatientRelatedStudies=None)
    assert {a.PatientID: a.NumberOfPatientRelatedStudies for a in answers} == {"A1": 2, "B2": 1}


@pytest.mark.peer
def test_dcmtk_finds(dcmtk: Callable, archive: Archive, make_image: Callable) -> None:
    archive.put(make_image(AccessionNumber="NEEDLE"), make_image())
    done = dcmtk(
        "findscu", "-S", "-k", "QueryRetrieveLevel=STUDY", "-k", "AccessionNumber=NEED*",
        "-k", "StudyInstanceUID=", "-v",
    )  # fmt: skip
    assert done.returncode == 0
    assert (done.stdout + done.stderr).count("[NEEDLE") == 1


@pytest.mark.peer
def test_dcmtk_moves_a_study_to_a_known_node(
    dcmtk: Callable, archive: Archive, node: object, make_image: Callable
) -> None:
    image = make_image()
    image.compress(RLELossless)
    archive.put(image, make_image())
    archive.peers["NODE"] = ("127.0.0.1", node.port)
    done = dcmtk(
        "movescu", "-S", "-aem", "NODE", "-k", "QueryRetrieveLevel=STUDY",
        "-k", f"StudyInstanceUID={image.StudyInstanceUID}",
    )  # fmt: skip
    assert done.returncode == 0, done.stderr
    assert [d.SOPInstanceUID for d in node.received] == [image.SOPInstanceUID]
    assert node.received[0].file_meta.TransferSyntaxUID == RLELossless


@pytest.mark.peer
def test_a_move_to_an_unknown_node_is_refused(
    dcmtk: Callable, archive: Archive, make_image: Callable
) -> None:
    image = make_image()
    archive.put(image)
    done = dcmtk(
        "movescu", "-S", "-d", "-aem", "NOBODY", "-k", "QueryRetrieveLevel=STUDY",
        "-k", f"StudyInstanceUID={image.StudyInstanceUID}",
    )  # fmt: skip
    assert "0xa801" in (done.stdout + done.stderr).lower()


@pytest.mark.peer
def test_dcmtk_gets_a_compressed_object_decompressed(
    dcmtk: Callable, archive: Archive, make_image: Callable, tmp_path: Path
) -> None:
    image = make_image()
    pixels = image.PixelData
    image.compress(RLELossless)
    archive.put(image)
    folder = tmp_path / "got"
    folder.mkdir()
    done = dcmtk(
        "getscu", "-S", "-od", folder, "-k", "QueryRetrieveLevel=STUDY",
        "-k", f"StudyInstanceUID={image.StudyInstanceUID}",
    )  # fmt: skip
    assert done.returncode == 0, done.stderr
    (path,) = folder.iterdir()
    assert dcmread(path).PixelData == pixels


@pytest.mark.parametrize(("role", "completed"), [(True, 1), (False, 0)])
def test_get_needs_the_role_of_storage_scp(
    role: bool, completed: int, archive: Archive, make_image: Callable
) -> None:
    image = make_image()
    archive.put(image)
    ae = AE("ASKER")
    ae.add_requested_context(STUDY_GET)
    ae.add_requested_context(CR)
    got: list[Dataset] = []

    def keep(event: evt.Event) -> int:
        got.append(event.dataset)
        return 0

    association = ae.associate(
        "127.0.0.1",
        archive.port,
        ext_neg=[build_role(CR, scp_role=True)] if role else [],
        evt_handlers=[(evt.EVT_C_STORE, keep)],
    )
    query = Dataset()
    query.QueryRetrieveLevel = "STUDY"
    query.StudyInstanceUID = image.StudyInstanceUID
    *_, (status, _) = association.send_c_get(query, STUDY_GET)
    association.release()
    assert len(got) == completed
    assert (status.Status == 0) is role
