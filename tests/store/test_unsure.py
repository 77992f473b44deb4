"""A commit of which nobody knows whether it was kept: what it may have kept stays whole.

A network that breaks leaves PostgreSQL's word unheard. SQLite says that it failed when its journal
could not be synced, and finds the transaction in it after a crash all the same (seen with strace:
EIO for the `fdatasync` of a COMMIT, then kill -9).
"""

import sqlite3
from contextlib import contextmanager
from datetime import UTC, datetime

import psycopg
import pytest

from dicom_service.errors import DifferentBytes, NotReady, TryLater, VersionConflict
from dicom_service.store.index import Unsure


@pytest.fixture
def unheard(kit, engine, monkeypatch):
    """Commits are kept, and reported as of unknown outcome; or neither, with `kept=False`."""

    @contextmanager
    def during(*, kept=True):
        dialect = kit.store._index.engine.dialect
        really = dialect.do_commit

        def commit(connection):
            if kept:
                really(connection)
            else:
                dialect.do_rollback(connection)
            if engine == "sqlite":
                raise sqlite3.OperationalError("disk I/O error" if kept else "disk is full")
            raise psycopg.OperationalError("gone") if kept else psycopg.errors.DiskFull("full")

        with monkeypatch.context() as patch:
            patch.setattr(dialect, "do_commit", commit)
            yield

    return during


def files_of(kit):
    return {file.name for file in (kit.folder / "blobs").rglob("*") if file.is_file()}


def whole(kit):
    """Every row has its file, and every file its row."""
    swept = kit.restart().sweep()
    return (swept.blobs_without_rows, swept.rows_without_blobs) == (0, 0)


def test_an_object_keeps_its_file_and_comes_again_as_known(kit, unheard):
    with unheard(), pytest.raises(Unsure, match="may have been kept"):
        kit.image("1.1")
    assert kit.image("1.1") == "duplicate"
    assert whole(kit)


def test_a_signed_report_keeps_its_file_and_is_not_signed_twice(kit, unheard):
    kit.image()
    kit.prepare()
    kit.save()
    with unheard(), pytest.raises(Unsure):
        kit.sign()
    assert kit.state() == "signed"
    with pytest.raises(NotReady):
        kit.sign()
    assert len(kit.store.documents(kit.study)) == 1
    assert whole(kit)


def test_a_template_keeps_its_file(kit, unheard):
    kit.image()
    with unheard(), pytest.raises(Unsure):
        kit.prepare(document=kit.document("template"))
    assert kit.state() == "waiting"
    assert whole(kit)


def test_a_template_that_was_certainly_not_kept_leaves_no_file(kit, unheard):
    kit.image()
    before = files_of(kit)
    with unheard(kept=False), pytest.raises(TryLater):
        kit.prepare(document=kit.document("template"))
    assert kit.state() == "arriving"
    assert files_of(kit) == before


def test_a_copy_that_may_have_been_discarded_stays_until_a_start_finds_it(kit, unheard):
    kit.image("1.1", b"first")
    with pytest.raises(DifferentBytes):
        kit.image("1.1", b"second")
    (copy,) = kit.store.quarantined()
    with unheard(), pytest.raises(Unsure):
        kit.store.decide_quarantined(copy.id, "discard", user="otto", at=datetime.now(UTC))
    assert copy.blob.name in files_of(kit)
    assert kit.restart().sweep().blobs_without_rows == 1


def test_a_reading_that_was_kept_unheard_is_saved_again_without_a_conflict(kit, unheard):
    kit.image()
    kit.prepare()
    with unheard(), pytest.raises(Unsure):
        kit.save("swollen")
    assert kit.save("swollen", expected=0) == 1
    with pytest.raises(VersionConflict):
        kit.save("something else", expected=0)
