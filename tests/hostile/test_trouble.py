"""Trouble with the index and its folder: said in a sentence, and nothing is lost by it."""

import shutil
import sqlite3
from datetime import UTC, datetime, timedelta

import pytest

from dicom_service.errors import SetupError, StorageFull, TryLater, outcome_of
from dicom_service.review.model import Reading
from dicom_service.store import Store
from tests.hostile.invariants import broken, unfinished
from tests.hostile.job import Job, Plan, work


@pytest.fixture
def data(tmp_path):
    """A folder in which a job has come to its end."""
    lines: list[str] = []
    work(tmp_path / "data", 1, lines.append, 1)
    return tmp_path / "data", lines


def test_a_page_that_is_damaged_is_found_at_the_start(data):
    folder, _ = data
    index = folder / "index.sqlite"
    pages = index.stat().st_size // 4096
    refused = 0
    for page in range(1, pages):
        whole = index.read_bytes()
        index.write_bytes(whole[: page * 4096] + b"\xa5" * 4096 + whole[(page + 1) * 4096 :])
        try:
            store = Store(folder)
        except SetupError as error:
            refused += "damaged" in str(error)
        else:
            try:
                store.sweep()
            except SetupError as error:
                refused += "Restore it from a backup" in str(error)
            finally:
                store.close()
        index.write_bytes(whole)
    assert refused == pages - 1
    assert broken(folder, [Plan(1, 0)], data[1]) == []


def test_an_index_held_by_another_program_is_waited_for_and_then_said(data, monkeypatch):
    monkeypatch.setattr("dicom_service.store.sqlite.BUSY_SECONDS", 0.2)
    folder, lines = data
    store = Store(folder)
    holder = sqlite3.connect(folder / "index.sqlite", isolation_level=None)
    holder.execute("BEGIN IMMEDIATE")
    try:
        with pytest.raises(TryLater, match="held by another program") as said:
            store.add_user("ida", "Ida", "hash", ["reader"])
        assert outcome_of(said.value).dimse == 0xA700  # the sender tries again
        assert store.studies()  # reading goes on
        holder.execute("ROLLBACK")
        store.add_user("ida", "Ida", "hash", ["reader"])
    finally:
        holder.close()
        store.close()
    assert broken(folder, [Plan(1, 0)], lines) == []


def test_a_folder_that_goes_away_takes_no_promise_with_it(tmp_path):
    folder, lines = tmp_path / "data", []
    store = Store(folder)
    job = Job(store, 1, lines.append, 1)
    for uid in job.plans[0].images:
        job._receive(job.plans[0], uid)
    job._prepare(job.plans[0])
    moved = tmp_path / "elsewhere"
    shutil.move(folder, moved)
    with pytest.raises(StorageFull, match=r"disk there"):
        job._accept(job.plans[0], "1.2.1.0.9.77", b"more")
    with pytest.raises(StorageFull, match=r"is gone"):
        store.save_reading(
            job.plans[0].study, Reading(), expected=0, user="ida", at=datetime.now(UTC)
        )
    shutil.move(moved, folder)
    job.run()
    store.close()
    assert broken(folder, job.plans, lines) + unfinished(folder, job.plans, lines) == []


@pytest.mark.parametrize("days", [-400, -1, 1, 400])
def test_a_step_of_the_clock_stops_no_study_and_no_delivery(tmp_path, monkeypatch, days):
    folder, lines = tmp_path / "data", []
    store = Store(folder)
    job = Job(store, 1, lines.append, 1)
    plan = job.plans[0]
    for uid in plan.images:
        job._receive(plan, uid)
    after = datetime.now(UTC) + timedelta(days=days)
    monkeypatch.setattr("dicom_service.store.times.datetime", _clock(after))
    assert store.due_studies(after, 10.0) == [plan.study]
    job._prepare(plan)
    job._save(plan)
    job._sign(plan)
    lease = store.claim_outbox(datetime.now(UTC), 60.0, 1)
    assert len(lease) == 1
    monkeypatch.undo()
    back = datetime.now(UTC) + timedelta(days=days)
    assert store.next_outbox_at(back) is not None
    claimed = store.claim_outbox(back + timedelta(days=8), 60.0, 9)
    assert {row.sop_instance_uid for row in claimed} == {plan.report, plan.measurements}
    store.release_outbox()
    job.run()
    store.close()
    assert broken(folder, job.plans, lines) + unfinished(folder, job.plans, lines) == []


def _clock(moment):
    class Stepped(datetime):
        @classmethod
        def now(cls, tz=None):
            return moment.astimezone(tz)

    return Stepped
