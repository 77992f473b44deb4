"""What each event does to a study in each state; the table is in store/events.py."""

import pytest

from dicom_service.errors import NotReady, VersionConflict

REFUSED = "refused"


def _kept(kit):
    kit.other()


def _prior(kit):
    kit.prior()


def _arriving(kit):
    kit.image()


def _waiting(kit):
    kit.image()
    kit.prepare()


def _reading(kit):
    _waiting(kit)
    kit.save("draft")


def _stale(kit):
    _reading(kit)
    kit.image()


def _again(kit):
    """A late image before anything was saved: arriving, but with a template."""
    _waiting(kit)
    kit.image()


def _failed(kit):
    kit.image()
    kit.store.fail_preparation(kit.study, "No region is known.")


STATES = {
    "kept": _kept,
    "prior": _prior,
    "arriving": _arriving,
    "arriving again": _again,
    "waiting": _waiting,
    "reading": _reading,
    "reading, stale": _stale,
    "signed": lambda kit: kit.signed(),
    "failed": _failed,
}
EVENTS = {
    "image": lambda kit: kit.image(),
    "prior fetched": lambda kit: kit.prior(),
    "other object": lambda kit: kit.other(),
    "prepared": lambda kit: kit.prepare(),
    "not preparable": lambda kit: kit.store.fail_preparation(kit.study, "No."),
    "saved": lambda kit: kit.save("more"),
    "image corrected": lambda kit: kit.correct(),
    "report signed": lambda kit: kit.sign(),
    "addendum signed": lambda kit: kit.sign("addendum"),
}
TABLE = {
    "kept": ["arriving", "prior", "kept", "kept", "kept", REFUSED, REFUSED, REFUSED, REFUSED],
    "prior": ["arriving", "prior", "prior", "prior", "prior", REFUSED, REFUSED, REFUSED, REFUSED],
    "arriving": [
        "arriving",
        "arriving",
        "arriving",
        "waiting",
        "failed",
        REFUSED,
        REFUSED,
        REFUSED,
        REFUSED,
    ],
    "arriving again": [
        "arriving",
        "arriving",
        "arriving",
        "waiting",
        "failed",
        "reading",
        "arriving",
        REFUSED,
        REFUSED,
    ],
    "waiting": [
        "arriving",
        "arriving",
        "waiting",
        "waiting",
        "waiting",
        "reading",
        "arriving",
        "signed",
        REFUSED,
    ],
    "reading": [
        "reading",
        "reading",
        "reading",
        "reading",
        "reading",
        "reading",
        "reading",
        "signed",
        REFUSED,
    ],
    "reading, stale": [
        "reading",
        "reading",
        "reading",
        "reading",
        "reading",
        "reading",
        "reading",
        REFUSED,
        REFUSED,
    ],
    "signed": [
        "signed",
        "signed",
        "signed",
        "signed",
        "signed",
        REFUSED,
        REFUSED,
        REFUSED,
        "signed",
    ],
    "failed": [
        "arriving",
        "arriving",
        "failed",
        "failed",
        "failed",
        REFUSED,
        REFUSED,
        REFUSED,
        REFUSED,
    ],
}
CASES = [
    (state, event, after)
    for state, row in TABLE.items()
    for event, after in zip(EVENTS, row, strict=True)
]


@pytest.mark.parametrize(("state", "event", "after"), CASES)
def test_an_event_in_a_state_leads_to(kit, state, event, after):
    STATES[state](kit)
    before = kit.state()
    if after == REFUSED:
        with pytest.raises(NotReady):
            EVENTS[event](kit)
        assert kit.state() == before
    else:
        EVENTS[event](kit)
        assert kit.state() == after


def test_a_late_image_keeps_the_draft_and_asks_for_a_new_template(kit, later):
    _reading(kit)
    assert kit.store.due_studies(later(60), 1) == []
    kit.image()
    assert kit.store.due_studies(later(60), 1) == [kit.study]
    assert kit.prepare()
    assert kit.store.due_studies(later(60), 1) == []
    assert kit.store.reading(kit.study)[1].impression == "draft"
    assert kit.store.preparation(kit.study)[1].revision == 2


def test_saving_in_a_study_that_is_arriving_again_still_asks_for_the_new_template(kit, later):
    _again(kit)
    kit.save("typed meanwhile")
    assert kit.store.due_studies(later(60), 1) == [kit.study]


def test_a_preparation_that_has_not_seen_the_newest_image_is_not_kept(kit):
    kit.image()
    seen_at = kit.store.study(kit.study).last_object_at
    kit.image()
    assert not kit.prepare(seen_at=seen_at)
    assert kit.state() == "arriving"
    assert kit.store.preparation(kit.study) is None


def test_a_template_document_of_a_preparation_that_is_not_kept_leaves_nothing_behind(kit):
    kit.image()
    seen_at = kit.store.study(kit.study).last_object_at
    kit.image()
    kit.prepare(seen_at=seen_at, document=kit.document("template"), destinations=["archive"])
    assert kit.store.documents(kit.study) == []
    assert kit.store.outbox(kit.study) == []
    assert kit.store.sweep().blobs_without_rows == 0


def test_a_clock_that_was_set_back_does_not_hide_a_late_image(kit, monkeypatch):
    kit.image()
    seen_at = kit.store.study(kit.study).last_object_at
    monkeypatch.setattr("dicom_service.store.objects.now_us", lambda: 1_000_000)
    kit.image()
    assert not kit.prepare(seen_at=seen_at)


def test_a_study_from_the_future_settles_at_once(kit, later):
    kit.image()
    assert kit.store.due_studies(later(-3600), 10) == [kit.study]


def test_late_images_of_a_signed_study_are_counted(kit):
    kit.signed()
    kit.image()
    kit.image()
    row = kit.store.study(kit.study)
    assert (row.state, row.late_objects, row.images) == ("signed", 2, 3)


def test_why_a_template_failed_is_kept_and_forgotten_when_it_succeeds(kit):
    _failed(kit)
    assert kit.store.study(kit.study).detail == "No region is known."
    kit.image()
    kit.prepare()
    assert kit.store.study(kit.study).detail == ""


def test_a_failed_study_is_tried_again_when_the_node_starts(kit, later):
    _failed(kit)
    assert kit.store.sweep().retried == 1
    assert kit.store.due_studies(later(60), 1) == [kit.study]


def test_saving_on_an_old_version_changes_nothing_and_tells_the_current_one(kit):
    _reading(kit)
    with pytest.raises(VersionConflict) as conflict:
        kit.save("second tab", expected=0)
    assert conflict.value.current == 1
    assert kit.store.reading(kit.study)[1].impression == "draft"


def test_signing_an_old_version_signs_nothing(kit):
    _reading(kit)
    kit.save("changed")
    with pytest.raises(VersionConflict):
        kit.sign(expected=1)
    assert kit.state() == "reading"
    assert kit.store.documents(kit.study) == []
    assert kit.store.sweep().blobs_without_rows == 0


def test_two_addenda_cannot_continue_the_same_report(kit):
    kit.signed()
    first = kit.store.documents(kit.study)[0].sop_instance_uid
    kit.sign("addendum", after=[first])
    with pytest.raises(VersionConflict):
        kit.sign("addendum", after=[first])
    assert len(kit.store.documents(kit.study)) == 2


def test_signed_documents_are_instances_that_do_not_open_the_study_again(kit, later):
    kit.signed()
    own = [i for i in kit.store.instances(kit.study) if i.own]
    assert [(i.modality, i.series_number) for i in own] == [("SR", 9001)]
    assert own[0].path.read_bytes()[128:132] == b"DICM"
    assert kit.store.due_studies(later(60), 1) == []


def test_what_was_signed_can_be_read_back(kit):
    kit.signed()
    (document,) = kit.store.documents(kit.study)
    assert kit.store.content(document.sop_instance_uid) == kit.content()
    assert document.signed_by == "ida"
    assert [row.event for row in kit.store.audit_rows(study_uid=kit.study)] == ["final signed"]


def test_a_correction_of_a_study_in_reading_asks_for_a_new_template_and_is_kept(kit, later):
    _reading(kit)
    kit.correct()
    assert kit.store.due_studies(later(60), 1) == [kit.study]
    assert list(kit.store.corrections(kit.study).values()) == ["{}"]
    assert kit.store.audit_rows(study_uid=kit.study)[0].event == "image corrected"
