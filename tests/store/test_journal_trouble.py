"""A disk, a file or an index that fails under the journal: said in words, and nothing is lost."""

import errno
import os
import threading
from datetime import UTC, datetime

import pytest

from dicom_service.errors import StorageFull, TryLater
from dicom_service.store import backlog, records
from dicom_service.store.records import BLOCK
from tests.store.journalling import crash, take, there, there_now

NOW = datetime(2026, 1, 2, tzinfo=UTC)


@pytest.fixture
def engine():
    return "sqlite"  # with an index that is shared there is no journal


@pytest.mark.parametrize("call", ["pwritev", "fdatasync"])
def test_a_disk_that_fails_under_the_journal_is_said_and_the_next_object_is_kept(
    journal, tmp_path, monkeypatch, call
):
    take(journal, "1.1")

    def full(*_):
        raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))

    with monkeypatch.context() as patch:
        patch.setattr(os, call, full)
        with pytest.raises(StorageFull, match="Free some room"):
            take(journal, "1.2")
    assert set(there_now(journal)) == {"1.1"}
    assert take(journal, "1.2", b"again") == "new"
    assert set(there(journal, crash(journal, tmp_path))) == {"1.1", "1.2"}
    journal.restart()
    assert there_now(journal) == {"1.1": b"pixels", "1.2": b"again"}


def test_a_full_journal_that_cannot_be_emptied_refuses_in_words(journal, monkeypatch):
    real = backlog.index_objects

    def held(*_):
        raise TryLater("The index is held by another program.")

    monkeypatch.setattr(backlog, "index_objects", held)
    taken = []

    def fill():
        for number in range(100):
            take(journal, f"1.{number}", os.urandom(9000))
            taken.append(f"1.{number}")

    with pytest.raises(TryLater):
        fill()
    assert taken
    assert journal.store.instances(journal.study) == []  # reading goes on
    assert "held by another program" in journal.store.trouble
    monkeypatch.setattr(backlog, "index_objects", real)
    monkeypatch.setattr(journal.store._backlog, "_again_at", 0.0)
    assert set(there_now(journal)) == set(taken)
    assert journal.store.trouble == ""
    assert take(journal, "1.100") == "new"


def test_an_object_that_the_index_cannot_take_does_not_hold_up_the_others(journal, monkeypatch):
    real = backlog.index_objects

    def fussy(connection, arrivals):
        if any(arrival.header.sop_instance_uid == "1.2" for arrival in arrivals):
            raise ValueError("not this one")
        return real(connection, arrivals)

    monkeypatch.setattr(backlog, "index_objects", fussy)
    for number in range(5):
        take(journal, f"1.{number}", b"%d" % number)
    assert there_now(journal) == {f"1.{n}": b"%d" % n for n in (0, 1, 3, 4)}
    (aside,) = (journal.folder / "set-aside").iterdir()
    assert aside.read_bytes() == b"2"


def test_a_failed_file_does_not_count_as_stored_when_the_next_sync_says_so(journal, monkeypatch):
    """After an error the system forgets what it could not write, and calls the next a success."""
    store = journal.store._backlog
    lost = []

    def failing(blobs, names):
        lost.extend(blobs.path(name) for name in names)
        for path in lost:
            path.write_bytes(b"")  # what the disk has, when the system has forgotten its own
        raise StorageFull("The disk failed.")

    expected = {f"1.{number}": os.urandom(20000) for number in range(4)}
    with monkeypatch.context() as patch:
        patch.setattr(type(store._blobs), "sync", failing)
        for uid, data in expected.items():
            take(journal, uid, data)
        journal.store.instances(journal.study)
        with pytest.raises(StorageFull):
            store._settle()
        assert lost
        assert store._journal.sealed()
    store._settle()
    assert not store._journal.sealed()
    assert there_now(journal) == expected


def test_a_block_that_the_disk_cannot_read_takes_only_its_own_object_with_it(
    journal, tmp_path, monkeypatch
):
    for number in range(3):
        take(journal, f"1.{number}", b"pixels %d" % number * 1000)
    crashed = crash(journal, tmp_path)
    real = os.pread

    def damaged(handle, length, offset):
        if offset <= 5 * BLOCK < offset + length:  # the second object has blocks 4 to 6
            raise OSError(errno.EIO, os.strerror(errno.EIO))
        return real(handle, length, offset)

    with monkeypatch.context() as patch:
        patch.setattr(records.os, "pread", damaged)
        kept = there(journal, crashed)
    assert set(kept) == {"1.0", "1.2"}


def test_a_store_that_closes_while_objects_come_in_keeps_those_that_it_acknowledged(journal):
    acknowledged, started = [], threading.Event()

    def send(part):
        for number in range(1000):
            try:
                take(journal, f"1.{part}.{number}", store=store)
            except TryLater:
                return
            acknowledged.append(f"1.{part}.{number}")
            if len(acknowledged) > 30:
                started.set()

    store = journal.store
    threads = [threading.Thread(target=send, args=(part,)) for part in range(3)]
    for thread in threads:
        thread.start()
    assert started.wait(20)
    store._backlog.close()
    for thread in threads:
        thread.join()
    journal.restart()
    assert set(there_now(journal)) == set(acknowledged)
    assert not (journal.folder / "set-aside").exists()


def test_too_many_open_files_are_no_reason_to_set_an_object_aside(journal, monkeypatch):
    def too_many(*_):
        raise OSError(errno.EMFILE, os.strerror(errno.EMFILE))

    take(journal, "1.1")
    with monkeypatch.context() as patch:
        patch.setattr(backlog.Blobs, "write", too_many)
        assert journal.store.instances(journal.study) == []
    assert "Too many open files" in journal.store.trouble
    monkeypatch.setattr(journal.store._backlog, "_again_at", 0.0)
    assert set(there_now(journal)) == {"1.1"}
    assert not (journal.folder / "set-aside").exists()


def test_what_the_index_could_not_write_is_not_acknowledged(journal):
    header = journal.header("1.1").model_copy(update={"patient_name": "\ud800"})
    with pytest.raises(UnicodeEncodeError):
        journal.store.accept_bytes(b"x", header, source="CAMERA", digest="0")
    assert journal.store.instances(journal.study) == []


def test_no_two_blobs_have_one_name_also_in_a_forked_process(journal, tmp_path):
    blobs = journal.store._blobs
    child = os.fork()
    if not child:
        (tmp_path / "names").write_text(" ".join(blobs.new_name() for _ in range(50)))
        os._exit(0)
    ours = [blobs.new_name() for _ in range(50)]
    os.waitpid(child, 0)
    theirs = (tmp_path / "names").read_text().split()
    assert len({*ours, *theirs}) == 100
    assert {len(name) for name in ours} == {32}
