"""What senders write is kept as it is on every engine: long, odd, large, in any case."""

from datetime import UTC, datetime

import pytest

from dicom_service.store import ListQuery

NOW = datetime(2026, 3, 1, tzinfo=UTC)


def test_a_nul_in_a_text_costs_no_object(kit):
    kit.image("1.1", patient_name="Rex\0Vreeland", source="CAM\0ERA")
    (instance,) = kit.store.instances(kit.study)
    assert instance.patient_name.replace("\0", "\ufffd") == "Rex\ufffdVreeland"
    assert [row.study_uid for row in kit.store.studies(text="vreeland")] == [kit.study]
    assert kit.store.audit_verify().why == ""


def test_texts_that_are_far_too_long_are_kept_and_found(kit):
    name = "".join(chr(97 + n * n % 26) for n in range(30_000))
    kit.image("1.1", patient_name=name, patient_id="P" * 20_000, study_description="d" * 9_000)
    assert kit.store.instances(kit.study)[0].patient_name == name
    assert len(kit.store.studies(text=name)) == len(kit.store.studies(patient_id="P" * 20_000)) == 1
    uid = "1." + "2" * 120
    kit.image("1.2", study=uid)
    assert kit.store.study(uid).images == 1


def test_numbers_that_are_far_too_large_are_kept(kit):
    kit.image("1.1", series_number=2**40, instance_number=-(2**33), number_of_frames=2**31)
    (instance,) = kit.store.instances(kit.study)
    assert (instance.series_number, instance.instance_number) == (2**40, -(2**33))


@pytest.mark.parametrize("word", ["Straße", "ČERNÁ", "山田", "O'Neill\\x%_", "🐕"])
def test_names_of_every_script_are_kept_and_found_by_their_beginning(kit, word):
    kit.image("1.1", patient_name=word)
    assert kit.store.instances(kit.study)[0].patient_name == word
    asked = word[:3]
    found = kit.store.listed(ListQuery(text=asked), 5)
    letters = any(c.isalnum() for c in asked)
    assert [row.study_uid for row in found] == [kit.study] if letters else True


def test_upper_and_lower_case_differ_in_keys_and_not_in_what_is_searched(kit):
    kit.store.add_user("ida", "", "", [])
    kit.store.add_user("Ida", "", "", [])
    assert kit.store.count_users() == 2
    assert kit.store.user("IDA") is None
    kit.store.audit("Signed in", user="ida", detail="100% Ädele", at=NOW)
    assert len(kit.store.audit_rows(text="sIGNED")) == 1
    assert len(kit.store.audit_rows(text="100% ")) == 1
    assert kit.store.audit_rows(text="100_") == []


def test_what_is_listed_is_in_the_order_of_code_points(kit):
    for uid in ("1.10", "1.9", "1.B", "1.a", "1.ä"):
        kit.image(uid)
    found = [i.sop_instance_uid for i in kit.store.instances(kit.study)]
    assert found == ["1.10", "1.9", "1.B", "1.a", "1.ä"]
