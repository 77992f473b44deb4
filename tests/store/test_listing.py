"""The reading list by stage, urgency, missing views and age; thousands of studies stay fast."""

from datetime import UTC, datetime
from functools import partial

import pytest
from sqlalchemy import delete, event, update

from dicom_service.errors import NotFound
from dicom_service.intake.model import Remark, StudyFacts
from dicom_service.review.model import Template
from dicom_service.store import ListQuery, texts
from dicom_service.store.schema import list_lines, studies, study_texts
from tests.store.conftest import STUDY, Kit

AT = datetime(2026, 3, 1, tzinfo=UTC)


def _waiting(kit: Kit, study: str, *, priority: int = 0, remarks=()) -> None:
    kit.image(f"{study}.9", study=study)
    row = kit.store.study(study)
    template = Template(
        study_uid=study, revision=row.template_revision + 1, regions=(), views=(), items=()
    )
    facts = StudyFacts(study_uid=study, question="Lame?", remarks=remarks)
    assert kit.store.save_preparation(study, row.last_object_at, facts, template, priority=priority)


def _uids(kit: Kit, **query) -> list[str]:
    return [row.study_uid for row in kit.store.listed(ListQuery(**query), 50)]


def test_a_study_goes_through_the_stages_of_the_work(kit):
    def stage() -> str:
        names = ("arriving", "to_read", "in_progress", "to_deliver", "delivered", "withdrawn")
        found = [name for name in names if _uids(kit, stage=name)]
        assert len(found) == 1
        return found[0]

    kit.image()
    assert stage() == "arriving"
    kit.prepare()
    assert stage() == "to_read"
    kit.save()
    assert stage() == "in_progress"
    kit.sign()
    assert stage() == "to_deliver"
    (row,) = kit.store.outbox(STUDY)
    kit.store.outbox_sent([row.id], "1.7", AT)
    assert stage() == "to_deliver", "sent is not yet committed"
    kit.store.outbox_committed("1.7", [row.sop_instance_uid], {})
    assert stage() == "delivered"
    kit.image()
    assert _uids(kit, stage="trouble") == [STUDY], "an image came after signing"
    assert kit.store.stages() == {
        "to_read": 0, "in_progress": 0, "to_deliver": 0, "trouble": 1, "arriving": 0,
    }  # fmt: skip


def test_urgent_work_comes_first_then_the_longest_waiting(kit):
    for study, priority in (("1.1", 0), ("1.2", 1), ("1.3", 2), ("1.4", 0)):
        _waiting(kit, study, priority=priority)
    assert _uids(kit, stage="to_read") == ["1.3", "1.2", "1.1", "1.4"]
    assert _uids(kit, stage="to_read", order="newest") == ["1.4", "1.3", "1.2", "1.1"]
    assert _uids(kit, stage="to_read", urgent=True) == ["1.3", "1.2"]


def test_what_a_person_says_of_urgency_wins_over_the_request_also_after_late_images(kit):
    _waiting(kit, "1.1", priority=2)
    kit.store.set_priority("1.1", 0, user="ida", at=AT)
    kit.image("1.1.10", study="1.1")
    _waiting(kit, "1.1", priority=2)
    (row,) = kit.store.listed(ListQuery(), 5)
    assert (row.priority, row.priority_by) == (0, "ida")
    assert kit.store.audit_rows(text="priority")[0].user == "ida"
    with pytest.raises(NotFound):
        kit.store.set_priority("1.99", 1, user="ida", at=AT)


def test_missing_views_and_the_reader_are_on_the_line_and_can_be_chosen_by(kit):
    text = "The left carpus has no DPa view; take one."
    _waiting(kit, "1.1", remarks=(Remark(key="views_missing", severity="warning", text=text),))
    _waiting(kit, "1.2", remarks=(Remark(key="age_missing", severity="note", text="No age."),))
    kit.store.add_user("ida", "Vreeland^Ida", "", ["reader"])
    kit.save(study="1.2")
    assert _uids(kit, missing=True) == ["1.1"]
    assert _uids(kit, reader="ida") == ["1.2"]
    lines = {row.study_uid: row for row in kit.store.listed(ListQuery(), 5)}
    assert (lines["1.1"].missing, lines["1.1"].question) == (text, "Lame?")
    assert (lines["1.2"].missing, lines["1.2"].reader_name) == ("", "Vreeland^Ida")


WAITING, URGENT = 30, 100
"""Studies that somebody has still to read, and urgent ones; the others are signed."""
QUESTIONS = (
    ListQuery(),
    ListQuery(stage="to_read"),
    ListQuery(stage="to_deliver"),
    ListQuery(stage="delivered"),
    ListQuery(urgent=True),
)


def _signed_before(store, many: range) -> None:
    """So many studies; the first are to be read, the first and some more are urgent."""
    with store._index.write() as connection:
        connection.execute(
            studies.insert(),
            [
                {
                    "study_uid": f"1.5.{n}",
                    "state": "waiting" if n < WAITING else "signed",
                    "patient_name": f"Owner{n}^Pet",
                    "last_object_at": 1_700_000_000_000_000 - n,
                    "species": "dog",
                }
                for n in many
            ],
        )
        connection.execute(
            list_lines.insert(),
            [{"study_uid": f"1.5.{n}", "priority": int(n < URGENT)} for n in many],
        )
        connection.execute(delete(study_texts))
        texts.take_in_older(connection)


def _steps(store, ask) -> int:
    """Tens of steps that the database takes for an answer: work, whatever else the machine does."""
    counted = 0

    def step() -> None:
        nonlocal counted
        counted += 1

    def watched(connection, *_) -> None:
        connection.set_progress_handler(step, 10)

    event.listen(store._index.engine, "checkout", watched)
    try:
        ask()
    finally:
        event.remove(store._index.engine, "checkout", watched)
    return counted


def test_many_more_studies_are_hardly_more_work(sqlite_kit):
    store, steps = sqlite_kit.store, []
    asked = {
        "stages": store.stages,
        **{str(q): partial(store.listed, q, 50) for q in QUESTIONS},
        **{f"number of {q}": partial(store.count_listed, q, 20) for q in QUESTIONS},
    }
    for many in (range(1000), range(1000, 8000)):
        _signed_before(store, many)
        steps.append({name: _steps(store, ask) for name, ask in asked.items()})
    before, after = steps
    grown = {n: (before[n], after[n]) for n in asked if after[n] > 1.6 * before[n] + 200}
    assert grown == {}
    # The control: what has to look at every study would be found out.
    assert _steps(store, lambda: _every_one(store)) > max(after.values())


def _every_one(store) -> None:
    with store._index.read() as connection:
        connection.exec_driver_sql("SELECT sum(length(template)) FROM studies").scalar()


def test_the_numbers_of_the_stages_are_new_after_each_change_of_this_node(kit):
    assert kit.store.stages()["arriving"] == 0
    kit.image("1.1")
    assert kit.store.stages()["arriving"] == 1


def test_a_study_that_failed_and_has_late_images_is_in_trouble_once(kit):
    kit.image("1.1")
    with kit.store.changing() as connection:
        connection.execute(update(studies).values(state="failed", late_objects=2))
    assert kit.store.stages()["trouble"] == 1
    assert len(kit.store.listed(ListQuery(stage="trouble"), 10)) == 1
