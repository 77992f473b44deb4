"""Small objects are acknowledged from the journal: nothing acknowledged is lost, nothing torn is
kept, and nobody sees that an object is not in the index yet."""

import errno
import hashlib
import os
import shutil
import threading
from datetime import UTC, datetime
from pathlib import Path

import pytest
from sqlalchemy import update

from dicom_service.errors import DifferentBytes, StorageFull, TryLater
from dicom_service.store import Store, backlog, records, syncing
from dicom_service.store.backup import back_up, restore
from dicom_service.store.records import BLOCK, files_in, records_in
from dicom_service.store.schema import instances

NOW = datetime(2026, 1, 2, tzinfo=UTC)


@pytest.fixture
def engine():
    return "sqlite"  # with an index that is shared there is no journal


@pytest.fixture
def journal(kit):
    """A store with a journal that is worked off only when somebody looks."""
    kit.store.use_journal(1 << 20, every=0, sizes=(1 << 16, 2))
    return kit


def _take(kit, uid, data=b"pixels", store=None, **options):
    digest = hashlib.sha256(data).hexdigest()
    return (store or kit.store).accept_bytes(
        data, kit.header(uid), source="CAMERA", digest=digest, **options
    )


def _crashed(kit, tmp_path, name="crashed"):
    """The folder as a process that was killed now would leave it."""
    return shutil.copytree(kit.folder, tmp_path / name)


def _there(kit, folder):
    store = Store(folder)
    try:
        swept = store.sweep()
        assert (swept.blobs_without_rows, swept.rows_without_blobs) == (0, 0)
        return {i.sop_instance_uid: i.path.read_bytes() for i in store.instances(kit.study)}
    finally:
        store.close()


def _damage(file, data, offset=0):
    content = bytearray(file.read_bytes())
    at = content.find(data) + offset
    content[at] ^= 1
    file.write_bytes(content)


def test_an_object_in_the_journal_is_seen_by_whoever_looks(journal):
    assert _take(journal, "1.1", b"bytes") == "new"
    assert not list((journal.folder / "blobs").rglob("*"))
    (instance,) = journal.store.instances(journal.study)
    assert (instance.path.read_bytes(), instance.size) == (b"bytes", 5)
    assert journal.state() == "arriving"
    assert [r.event for r in journal.store.audit_rows()] == ["study received"]


def test_it_is_synced_before_it_is_acknowledged(journal, monkeypatch):
    order = []
    real = os.fdatasync
    monkeypatch.setattr(os, "fdatasync", lambda file: (order.append("sync"), real(file))[1])
    _take(journal, "1.1")
    order.append("acknowledged")
    assert order == ["sync", "acknowledged"]


def test_what_came_at_the_same_time_shares_a_sync(journal, monkeypatch):
    syncs, real = [], os.fdatasync
    first, go = threading.Event(), threading.Event()

    def slow(file):
        syncs.append(file)
        first.set()
        go.wait(10)
        real(file)

    monkeypatch.setattr(os, "fdatasync", slow)
    threads = [threading.Thread(target=_take, args=(journal, f"1.{n}")) for n in range(5)]
    threads[0].start()
    first.wait(10)
    for thread in threads[1:]:
        thread.start()
    waiting = journal.store._backlog._journal._group._waiting
    while len(waiting) < 4:
        pass
    go.set()
    for thread in threads:
        thread.join()
    assert len(syncs) == 2
    assert len(journal.store.instances(journal.study)) == 5


def test_a_process_that_dies_has_kept_what_it_acknowledged(journal, tmp_path):
    for number in range(4):
        _take(journal, f"1.{number}", b"pixels %d" % number)
    expected = {f"1.{number}": b"pixels %d" % number for number in range(4)}
    crashed = _crashed(journal, tmp_path)
    assert _there(journal, crashed) == expected
    assert files_in(crashed / "journal") == []
    assert _there(journal, crashed) == expected  # and once more


def test_a_torn_tail_is_dropped_and_what_is_before_it_stays(journal, tmp_path):
    for number in range(3):
        _take(journal, f"1.{number}", b"pixels %d" % number * 1000)
    crashed = _crashed(journal, tmp_path)
    (file,) = files_in(crashed / "journal")
    _damage(file, b"pixels 2", 5000)
    assert set(_there(journal, crashed)) == {"1.0", "1.1"}


def test_a_bad_block_takes_only_its_own_object_with_it(journal, tmp_path):
    for number in range(3):
        _take(journal, f"1.{number}", b"pixels %d" % number * 1000)
    crashed = _crashed(journal, tmp_path)
    (file,) = files_in(crashed / "journal")
    _damage(file, b"pixels 1")
    assert set(_there(journal, crashed)) == {"1.0", "1.2"}


def test_a_segment_that_was_being_made_holds_nothing(journal, tmp_path):
    _take(journal, "1.1")
    crashed = _crashed(journal, tmp_path)
    (file,) = files_in(crashed / "journal")
    file.with_name("a.segment").write_bytes(b"")
    file.with_name("b.segment").write_bytes(bytes(3 * BLOCK))
    assert set(_there(journal, crashed)) == {"1.1"}


def test_an_object_that_looks_like_a_record_is_none(journal, tmp_path):
    _take(journal, "1.1", b"x" * 100)
    (file,) = files_in(journal.folder / "journal")
    record = file.read_bytes()[BLOCK : 2 * BLOCK]
    shutil.copy(file, tmp_path / "seen")  # of another node, or an earlier run
    journal.restart().use_journal(1 << 20, every=0)
    _take(journal, "1.2", bytes(BLOCK) + record * 3)
    (file,) = files_in(journal.folder / "journal")
    assert [found.data[BLOCK:] for found in records_in(file)] == [record * 3]
    assert len(list(records_in(tmp_path / "seen"))) == 1


def test_the_same_object_again_is_a_success_also_while_the_first_waits(journal):
    assert [_take(journal, "1.1") for _ in range(3)] == ["new", "duplicate", "duplicate"]
    journal.store.instances(journal.study)
    assert _take(journal, "1.1") == "duplicate"
    assert journal.image("1.1") == "duplicate"
    assert len(journal.store.instances(journal.study)) == 1


def test_other_bytes_under_a_uid_that_waits_go_to_quarantine(journal):
    _take(journal, "1.1", b"first")
    with pytest.raises(DifferentBytes):
        _take(journal, "1.1", b"second")
    with pytest.raises(DifferentBytes):
        journal.image("1.1", b"third")
    assert {row.path.read_bytes() for row in journal.store.quarantined()} == {b"second", b"third"}
    (instance,) = journal.store.instances(journal.study)
    assert instance.path.read_bytes() == b"first"


def test_of_many_with_one_uid_one_is_stored_and_each_sender_hears_the_truth(journal):
    said = []

    def send(part):
        for number in range(10):
            data = b"%d" % (part % 2)
            try:
                said.append((number, data, _take(journal, f"1.{number}", data)))
            except DifferentBytes:
                said.append((number, data, "different"))

    threads = [threading.Thread(target=send, args=(part,)) for part in range(4)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    kept = {i.sop_instance_uid: i.path.read_bytes() for i in journal.store.instances("1.2.3")}
    for number in range(10):
        heard = sorted((word, data == kept[f"1.{number}"]) for n, data, word in said if n == number)
        assert heard == [("different", False)] * 2 + [("duplicate", True), ("new", True)]
    assert len(journal.store.quarantined()) == 10
    assert journal.store.study(journal.study).images == 10


def test_segments_are_written_over_and_nothing_is_lost(journal, tmp_path):
    expected = {f"1.{number}": os.urandom(9000) for number in range(40)}
    for uid, data in expected.items():
        _take(journal, uid, data)
    assert len(files_in(journal.folder / "journal")) == 2
    assert _there(journal, _crashed(journal, tmp_path)) == expected
    journal.restart()
    assert files_in(journal.folder / "journal") == []
    assert _there_now(journal) == expected


def _there_now(kit):
    return {i.sop_instance_uid: i.path.read_bytes() for i in kit.store.instances(kit.study)}


def test_a_file_that_did_not_reach_the_disk_is_made_whole_from_the_journal(journal, tmp_path):
    _take(journal, "1.1", b"whole")
    _take(journal, "1.2", b"whole too")
    assert len(journal.store.instances(journal.study)) == 2  # in the index, not synced
    crashed = _crashed(journal, tmp_path)
    one, two = (f for f in (crashed / "blobs").rglob("*") if f.is_file())
    one.write_bytes(b"")
    two.unlink()
    assert _there(journal, crashed) == {"1.1": b"whole", "1.2": b"whole too"}


def test_an_object_that_was_dropped_does_not_come_back_from_the_journal(journal, tmp_path):
    _take(journal, "1.1")
    (instance,) = journal.store.instances(journal.study)
    with journal.store._index.write() as connection:
        connection.execute(update(instances).values(missing=True))
    instance.path.unlink()
    assert _there(journal, _crashed(journal, tmp_path)) == {}


@pytest.mark.parametrize("call", ["pwritev", "fdatasync"])
def test_a_disk_that_fails_under_the_journal_is_said_and_the_next_object_is_kept(
    journal, tmp_path, monkeypatch, call
):
    _take(journal, "1.1")

    def full(*_):
        raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))

    with monkeypatch.context() as patch:
        patch.setattr(os, call, full)
        with pytest.raises(StorageFull, match="Free some room"):
            _take(journal, "1.2")
    assert set(_there_now(journal)) == {"1.1"}
    assert _take(journal, "1.2", b"again") == "new"
    assert set(_there(journal, _crashed(journal, tmp_path))) == {"1.1", "1.2"}
    journal.restart()
    assert _there_now(journal) == {"1.1": b"pixels", "1.2": b"again"}


def test_a_full_journal_that_cannot_be_emptied_refuses_in_words(journal, monkeypatch):
    real = backlog.index_objects

    def held(*_):
        raise TryLater("The index is held by another program.")

    monkeypatch.setattr(backlog, "index_objects", held)
    taken = []

    def fill():
        for number in range(100):
            _take(journal, f"1.{number}", os.urandom(9000))
            taken.append(f"1.{number}")

    with pytest.raises(TryLater):
        fill()
    assert taken
    assert journal.store.instances(journal.study) == []  # reading goes on
    assert "held by another program" in journal.store.trouble
    monkeypatch.setattr(backlog, "index_objects", real)
    monkeypatch.setattr(journal.store._backlog, "_again_at", 0.0)
    assert set(_there_now(journal)) == set(taken)
    assert journal.store.trouble == ""
    assert _take(journal, "1.100") == "new"


def test_a_backup_has_what_only_the_journal_holds(journal, tmp_path):
    _take(journal, "1.1", b"in the index")
    journal.store.instances(journal.study)
    _take(journal, "1.2", b"in the journal")
    assert back_up(journal.folder, tmp_path / "backup", user="ada", at=NOW).objects == 2
    restore(tmp_path / "backup", tmp_path / "restored")
    expected = {"1.1": b"in the index", "1.2": b"in the journal"}
    assert _there(journal, tmp_path / "restored") == expected
    journal.store.instances(journal.study)
    back_up(journal.folder, tmp_path / "backup", user="ada", at=NOW)
    assert files_in(tmp_path / "backup" / "journal") == []


def test_what_waits_in_the_journal_counts_as_room_that_is_taken(journal):
    _take(journal, "1.1", bytes(50_000))
    assert journal.store.waiting_bytes == 50_000
    disk = os.statvfs(journal.folder)
    journal.store.low_water = disk.f_bavail * disk.f_frsize + (1 << 30)
    with pytest.raises(StorageFull, match="low_water_mb"):
        _take(journal, "1.2")
    journal.store.low_water = 0
    journal.store.instances(journal.study)
    assert journal.store.waiting_bytes == 0


def test_late_objects_settle_their_study_in_the_order_they_were_acknowledged(journal, later):
    _take(journal, "1.1")
    assert journal.store.due_studies(later(60), 1) == [journal.study]
    seen = journal.store.study(journal.study).last_object_at
    _take(journal, "1.2")
    assert journal.prepare(seen_at=seen) is False  # for one has come since
    assert journal.prepare() is True
    assert journal.state() == "waiting"


def test_the_journal_is_worked_off_by_itself(kit):
    kit.store.use_journal(1 << 20, every=0.02)
    _take(kit, "1.1")
    there = threading.Event()
    for _ in range(500):
        if any(f.is_file() for f in (kit.folder / "blobs").rglob("*")):
            break
        there.wait(0.01)
    assert set(_there_now(kit)) == {"1.1"}


def test_an_object_that_the_index_cannot_take_does_not_hold_up_the_others(journal, monkeypatch):
    real = backlog.index_objects

    def fussy(connection, arrivals):
        if any(arrival.header.sop_instance_uid == "1.2" for arrival in arrivals):
            raise ValueError("not this one")
        return real(connection, arrivals)

    monkeypatch.setattr(backlog, "index_objects", fussy)
    for number in range(5):
        _take(journal, f"1.{number}", b"%d" % number)
    assert _there_now(journal) == {f"1.{n}": b"%d" % n for n in (0, 1, 3, 4)}
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
            _take(journal, uid, data)
        journal.store.instances(journal.study)
        with pytest.raises(StorageFull):
            store._settle()
        assert lost
        assert store._journal.sealed()
    store._settle()
    assert not store._journal.sealed()
    assert _there_now(journal) == expected


@pytest.mark.parametrize("trusted", [True, False], ids=["as one", "file by file"])
def test_files_are_synced_before_their_segment_is_written_over(journal, monkeypatch, trusted):
    synced, real = [], os.fsync

    def note(handle):
        synced.append(str(Path(f"/proc/self/fd/{handle}").readlink()))
        real(handle)

    whole = lambda system: synced.append("everything") or trusted  # noqa: E731
    monkeypatch.setattr(syncing.FileSystem, "sync", whole)
    for number in range(4):
        _take(journal, f"1.{number}", os.urandom(20000))
    journal.store.instances(journal.study)
    monkeypatch.setattr(os, "fsync", note)
    (segment,) = journal.store._backlog._journal.sealed()
    files = {str(journal.store._blobs.path(name)) for name, _ in segment.made}
    journal.store._backlog._settle()
    assert synced[0] == "everything"
    assert files
    assert (files <= set(synced)) is not trusted


def test_a_file_system_that_does_not_report_is_not_synced_as_one(tmp_path, monkeypatch):
    system = syncing.FileSystem(tmp_path)
    assert system.sync() in (True, False)
    system.close()
    monkeypatch.setattr(syncing, "_kind", lambda _: 0x794C7630)  # an overlay
    system = syncing.FileSystem(tmp_path)
    assert system.sync() is False
    system.close()


def test_a_block_that_the_disk_cannot_read_takes_only_its_own_object_with_it(
    journal, tmp_path, monkeypatch
):
    for number in range(3):
        _take(journal, f"1.{number}", b"pixels %d" % number * 1000)
    crashed = _crashed(journal, tmp_path)
    real = os.pread

    def damaged(handle, length, offset):
        if offset <= 5 * BLOCK < offset + length:  # the second object has blocks 4 to 6
            raise OSError(errno.EIO, os.strerror(errno.EIO))
        return real(handle, length, offset)

    with monkeypatch.context() as patch:
        patch.setattr(records.os, "pread", damaged)
        kept = _there(journal, crashed)
    assert set(kept) == {"1.0", "1.2"}


def test_a_store_that_closes_while_objects_come_in_keeps_those_that_it_acknowledged(journal):
    acknowledged, started = [], threading.Event()

    def send(part):
        for number in range(1000):
            try:
                _take(journal, f"1.{part}.{number}", store=store)
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
    assert set(_there_now(journal)) == set(acknowledged)
    assert not (journal.folder / "set-aside").exists()


def test_too_many_open_files_are_no_reason_to_set_an_object_aside(journal, monkeypatch):
    def too_many(*_):
        raise OSError(errno.EMFILE, os.strerror(errno.EMFILE))

    _take(journal, "1.1")
    with monkeypatch.context() as patch:
        patch.setattr(backlog.Blobs, "write", too_many)
        assert journal.store.instances(journal.study) == []
    assert "Too many open files" in journal.store.trouble
    monkeypatch.setattr(journal.store._backlog, "_again_at", 0.0)
    assert set(_there_now(journal)) == {"1.1"}
    assert not (journal.folder / "set-aside").exists()


def test_what_the_index_could_not_write_is_not_acknowledged(journal):
    header = journal.header("1.1").model_copy(update={"patient_name": "\ud800"})
    with pytest.raises(UnicodeEncodeError):
        journal.store.accept_bytes(b"x", header, source="CAMERA", digest="0")
    assert journal.store.instances(journal.study) == []
