"""What each event does to a study in each state; the table is in store/events.py."""

import pytest

from dicom_service.errors import NotReady, VersionConflict

REFUSED = "no"


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


def _reopened(kit):
    kit.signed()
    kit.reopen()


def _withdrawn(kit):
    kit.signed()
    kit.withdraw()


STATES = {
    "kept": _kept,
    "prior": _prior,
    "arriving": _arriving,
    "arriving again": _again,
    "waiting": _waiting,
    "reading": _reading,
    "reading, stale": _stale,
    "reopened": _reopened,
    "signed": lambda kit: kit.signed(),
    "withdrawn": _withdrawn,
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
    "reopened": lambda kit: kit.reopen(),
    "report corrected": lambda kit: kit.sign("correction"),
    "correction ended": lambda kit: kit.give_up(),
    "report withdrawn": lambda kit: kit.withdraw(),
}
TABLE = """
               image     prior     other     prepared  failed    saved   image-c. signed addendum reopened corrected ended  withdrawn
kept           arriving  prior     kept      kept      kept      no      no       no     no       no       no        no     no
prior          arriving  prior     prior     prior     prior     no      no       no     no       no       no        no     no
arriving       arriving  arriving  arriving  waiting   failed    no      no       no     no       no       no        no     no
arriving_again arriving  arriving  arriving  waiting   failed    reading arriving no     no       no       no        no     no
waiting        arriving  arriving  waiting   waiting   waiting   reading arriving signed no       no       no        no     no
reading        reading   reading   reading   reading   reading   reading reading  signed no       no       no        no     no
reading,_stale reading   reading   reading   reading   reading   reading reading  no     no       no       no        no     no
reopened       reading   reading   reading   reading   reading   reading reading  no     no       no       signed    signed no
signed         signed    signed    signed    signed    signed    no      no       no     signed   reading  no        no     withdrawn
withdrawn      withdrawn withdrawn withdrawn withdrawn withdrawn no      no       no     no       reading  no        no     no
failed         arriving  arriving  failed    failed    failed    no      no       no     no       no       no        no     no
"""  # noqa: E501 -- a table is read by its columns
CASES = [
    (row.split()[0].replace("_", " "), event, after)
    for row in TABLE.strip().splitlines()[1:]
    for event, after in zip(EVENTS, row.split()[1:], strict=True)
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
    events = [row.event for row in kit.store.audit_rows(study_uid=kit.study)]
    assert events == ["final signed", "reading changed", "study received"]


def test_a_correction_of_a_study_in_reading_asks_for_a_new_template_and_is_kept(kit, later):
    _reading(kit)
    kit.correct()
    assert kit.store.due_studies(later(60), 1) == [kit.study]
    assert list(kit.store.corrections(kit.study).values()) == ["{}"]
    assert kit.store.audit_rows(study_uid=kit.study)[0].event == "image corrected"


def test_a_report_is_opened_again_once_and_says_by_whom_and_why(kit):
    _reopened(kit)
    (report,) = kit.store.documents(kit.study)
    known = kit.store.reopening(kit.study)
    assert (known.of_uid, known.reason, known.user) == (
        report.sop_instance_uid,
        "wrong side",
        "ida",
    )
    with pytest.raises(NotReady, match="ida has opened this report"):
        kit.reopen()
    with pytest.raises(VersionConflict):
        kit.sign("correction", expected=1)
    kit.sign("correction")
    assert kit.store.reopening(kit.study) is None
    row = kit.store.study(kit.study)
    assert (row.report_kind, row.report_versions, row.signed_by) == ("correction", 2, "ida")


def test_a_correction_must_replace_the_newest_version(kit):
    kit.signed()
    first = kit.store.documents(kit.study)[0].sop_instance_uid
    kit.sign("addendum")
    kit.reopen()
    with pytest.raises(VersionConflict):
        kit.sign("correction", after=[first])
    assert kit.store.sweep().blobs_without_rows == 0


def test_a_correction_given_up_leaves_everything_as_it_was_signed(kit):
    kit.signed()
    kit.image()
    before = kit.store.study(kit.study)
    kit.reopen()
    assert kit.store.study(kit.study).late_objects == 0
    kit.prepare()
    kit.correct()
    kit.save("never signed")
    kit.image()
    kit.give_up()
    after = kit.store.study(kit.study)
    assert (after.state, after.late_objects) == ("signed", before.late_objects + 1)
    assert kit.store.reading(kit.study)[1] == kit.content().reading
    assert kit.store.preparation(kit.study) == (kit.content().facts, kit.content().template)
    assert kit.store.corrections(kit.study) == {}
    assert kit.store.reopening(kit.study) is None
    with pytest.raises(NotReady, match="not being corrected"):
        kit.give_up()


def test_opening_again_with_late_images_asks_for_a_new_template(kit, later):
    kit.signed()
    kit.image()
    kit.reopen()
    assert kit.store.due_studies(later(60), 1) == [kit.study]
    with pytest.raises(NotReady, match="just arriving"):
        kit.sign("correction")
    kit.prepare()
    kit.sign("correction")
    assert kit.state() == "signed"


def test_a_withdrawal_must_name_every_version(kit):
    kit.signed()
    first = [d.sop_instance_uid for d in kit.store.documents(kit.study)]
    kit.sign("addendum")
    with pytest.raises(VersionConflict):
        kit.withdraw(named=first)
    assert kit.state() == "signed"
    assert kit.store.sweep().blobs_without_rows == 0


def test_a_withdrawal_is_owed_like_a_report_and_shown_in_the_list(kit):
    _withdrawn(kit)
    row = kit.store.study(kit.study)
    assert (row.state, row.report_kind, row.report_versions) == ("withdrawn", "withdrawal", 1)
    assert [r.state for r in kit.store.outbox(kit.study)] == ["owed", "owed"]
    kit.image()
    assert kit.store.study(kit.study).late_objects == 1


def test_a_withdrawn_report_that_is_given_up_again_stays_withdrawn(kit):
    _withdrawn(kit)
    kit.reopen()
    kit.give_up()
    assert kit.state() == "withdrawn"
