"""Finding studies; users, sessions and the audit trail."""

from datetime import timedelta

import pytest

from dicom_service.errors import NotFound, Refused


@pytest.fixture
def listed(kit):
    for study, name, patient, accession in (
        ("1.1", "Vreeland^Rex", "A-1234", "ACC77"),
        ("1.2", "Vreeland^Luna", "A-9999", "ACC78"),
        ("1.3", "Ødegård^Jón", "B-1", ""),
    ):
        kit.image(study=study, patient_name=name, patient_id=patient, accession_number=accession)
    return kit.store


@pytest.mark.parametrize(
    ("text", "found"),
    [
        ("", {"1.1", "1.2", "1.3"}),
        ("vreel", {"1.1", "1.2"}),
        ("VREELAND lu", {"1.2"}),
        ("a-1234", {"1.1"}),
        ("1234", {"1.1"}),
        ("acc", {"1.1", "1.2"}),
        ("ødegård", {"1.3"}),
        ("1.2", {"1.2"}),
        ("eeland", set()),
        ("%", {"1.1", "1.2", "1.3"}),
        ("' OR 1=1 --", set()),
    ],
)
def test_a_text_finds_studies_by_beginnings_of_words(listed, text, found):
    assert {row.study_uid for row in listed.studies(text=text)} == found
    assert listed.count_studies(text=text) == len(found)


def test_the_newest_study_comes_first_and_pages_do_not_overlap(listed):
    assert [row.study_uid for row in listed.studies()] == ["1.3", "1.2", "1.1"]
    pages = [listed.studies(limit=2, offset=offset) for offset in (0, 2)]
    assert [len(page) for page in pages] == [2, 1]


def test_states_and_patients_narrow_the_list(listed, kit):
    kit.prepare("1.2")
    assert [row.study_uid for row in listed.studies(states=["waiting"])] == ["1.2"]
    assert [row.study_uid for row in listed.studies(patient_id="B-1")] == ["1.3"]
    assert listed.count_studies(states=["waiting", "arriving"]) == 3


def test_instances_can_be_narrowed_to_series_and_object(kit):
    kit.image("1.7")
    kit.image("1.8")
    assert len(kit.store.instances(kit.study, f"{kit.study}.1")) == 2
    assert kit.store.instances(kit.study, "9.9") == []
    (one,) = kit.store.instances(kit.study, sop_instance_uid="1.8")
    assert one.sop_instance_uid == "1.8"


def test_a_user_is_added_once_and_found(kit):
    kit.store.add_user("ida", "Vreeland^Ida", "hash", ["reader", "admin"])
    assert kit.store.user("ida").roles == ("reader", "admin")
    assert kit.store.user("eve") is None
    assert kit.store.count_users() == 1
    with pytest.raises(Refused, match="already"):
        kit.store.add_user("ida", "", "", [])


def test_a_session_lasts_until_it_expires_or_is_closed(kit, later):
    kit.store.add_user("ida", "", "hash", [])
    kit.store.open_session("ida", "token", "csrf", later(60))
    assert kit.store.session("token", later()).csrf == "csrf"
    assert kit.store.session("token", later() + timedelta(seconds=61)) is None
    assert kit.store.session("other", later()) is None
    kit.store.close_session("token")
    assert kit.store.session("token", later()) is None


def test_a_new_password_signs_everybody_out(kit, later):
    kit.store.add_user("ida", "", "hash", [])
    kit.store.open_session("ida", "token", "csrf", later(60))
    kit.store.set_password_hash("ida", "new")
    assert kit.store.user("ida").password_hash == "new"
    assert kit.store.session("token", later()) is None
    with pytest.raises(NotFound):
        kit.store.set_password_hash("eve", "new")


def test_the_audit_trail_keeps_what_it_was_told(kit, later):
    at = later()
    kit.store.audit("password refused", user="ida", study_uid="1.2", detail="x", at=at)
    kit.store.audit("signed in", user="eve", at=at)
    assert [row.event for row in kit.store.audit_rows()] == ["signed in", "password refused"]
    (row,) = kit.store.audit_rows(study_uid="1.2")
    assert (row.at, row.user, row.detail) == (at, "ida", "x")
