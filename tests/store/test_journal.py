"""Small objects are acknowledged from the journal: nothing acknowledged is lost, nothing torn is
kept, and nobody sees that an object is not in the index yet."""

import os
import shutil
import threading
from datetime import UTC, datetime
from pathlib import Path

import pytest
from sqlalchemy import update

from dicom_service.errors import DifferentBytes, StorageFull
from dicom_service.store import syncing
from dicom_service.store.backup import back_up, restore
from dicom_service.store.records import BLOCK, files_in, records_in
from dicom_service.store.schema import instances
from tests.store.journalling import crash, damage, take, there, there_now

NOW = datetime(2026, 1, 2, tzinfo=UTC)


@pytest.fixture
def engine():
    return "sqlite"  # with an index that is shared there is no journal


def test_an_object_in_the_journal_is_seen_by_whoever_looks(journal):
    assert take(journal, "1.1", b"bytes") == "new"
    assert not list((journal.folder / "blobs").rglob("*"))
    (instance,) = journal.store.instances(journal.study)
    assert (instance.path.read_bytes(), instance.size) == (b"bytes", 5)
    assert journal.state() == "arriving"
    assert [r.event for r in journal.store.audit_rows()] == ["study received"]


def test_it_is_synced_before_it_is_acknowledged(journal, monkeypatch):
    order = []
    real = os.fdatasync
    monkeypatch.setattr(os, "fdatasync", lambda file: (order.append("sync"), real(file))[1])
    take(journal, "1.1")
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
    threads = [threading.Thread(target=take, args=(journal, f"1.{n}")) for n in range(5)]
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
        take(journal, f"1.{number}", b"pixels %d" % number)
    expected = {f"1.{number}": b"pixels %d" % number for number in range(4)}
    crashed = crash(journal, tmp_path)
    assert there(journal, crashed) == expected
    assert files_in(crashed / "journal") == []
    assert there(journal, crashed) == expected  # and once more


def test_a_torn_tail_is_dropped_and_what_is_before_it_stays(journal, tmp_path):
    for number in range(3):
        take(journal, f"1.{number}", b"pixels %d" % number * 1000)
    crashed = crash(journal, tmp_path)
    (file,) = files_in(crashed / "journal")
    damage(file, b"pixels 2", 5000)
    assert set(there(journal, crashed)) == {"1.0", "1.1"}


def test_a_bad_block_takes_only_its_own_object_with_it(journal, tmp_path):
    for number in range(3):
        take(journal, f"1.{number}", b"pixels %d" % number * 1000)
    crashed = crash(journal, tmp_path)
    (file,) = files_in(crashed / "journal")
    damage(file, b"pixels 1")
    assert set(there(journal, crashed)) == {"1.0", "1.2"}


def test_a_segment_that_was_being_made_holds_nothing(journal, tmp_path):
    take(journal, "1.1")
    crashed = crash(journal, tmp_path)
    (file,) = files_in(crashed / "journal")
    file.with_name("a.segment").write_bytes(b"")
    file.with_name("b.segment").write_bytes(bytes(3 * BLOCK))
    assert set(there(journal, crashed)) == {"1.1"}


def test_an_object_that_looks_like_a_record_is_none(journal, tmp_path):
    take(journal, "1.1", b"x" * 100)
    (file,) = files_in(journal.folder / "journal")
    record = file.read_bytes()[BLOCK : 2 * BLOCK]
    shutil.copy(file, tmp_path / "seen")  # of another node, or an earlier run
    journal.restart().use_journal(1 << 20, every=0)
    take(journal, "1.2", bytes(BLOCK) + record * 3)
    (file,) = files_in(journal.folder / "journal")
    assert [found.data[BLOCK:] for found in records_in(file)] == [record * 3]
    assert len(list(records_in(tmp_path / "seen"))) == 1


def test_the_same_object_again_is_a_success_also_while_the_first_waits(journal):
    assert [take(journal, "1.1") for _ in range(3)] == ["new", "duplicate", "duplicate"]
    journal.store.instances(journal.study)
    assert take(journal, "1.1") == "duplicate"
    assert journal.image("1.1") == "duplicate"
    assert len(journal.store.instances(journal.study)) == 1


def test_other_bytes_under_a_uid_that_waits_go_to_quarantine(journal):
    take(journal, "1.1", b"first")
    with pytest.raises(DifferentBytes):
        take(journal, "1.1", b"second")
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
                said.append((number, data, take(journal, f"1.{number}", data)))
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
        take(journal, uid, data)
    assert len(files_in(journal.folder / "journal")) == 2
    assert there(journal, crash(journal, tmp_path)) == expected
    journal.restart()
    assert files_in(journal.folder / "journal") == []
    assert there_now(journal) == expected


def test_a_file_that_did_not_reach_the_disk_is_made_whole_from_the_journal(journal, tmp_path):
    take(journal, "1.1", b"whole")
    take(journal, "1.2", b"whole too")
    assert len(journal.store.instances(journal.study)) == 2  # in the index, not synced
    crashed = crash(journal, tmp_path)
    one, two = (f for f in (crashed / "blobs").rglob("*") if f.is_file())
    one.write_bytes(b"")
    two.unlink()
    assert there(journal, crashed) == {"1.1": b"whole", "1.2": b"whole too"}


def test_an_object_that_was_dropped_does_not_come_back_from_the_journal(journal, tmp_path):
    take(journal, "1.1")
    (instance,) = journal.store.instances(journal.study)
    with journal.store._index.write() as connection:
        connection.execute(update(instances).values(missing=True))
    instance.path.unlink()
    assert there(journal, crash(journal, tmp_path)) == {}


def test_a_backup_has_what_only_the_journal_holds(journal, tmp_path):
    take(journal, "1.1", b"in the index")
    journal.store.instances(journal.study)
    take(journal, "1.2", b"in the journal")
    assert back_up(journal.folder, tmp_path / "backup", user="ada", at=NOW).objects == 2
    restore(tmp_path / "backup", tmp_path / "restored")
    expected = {"1.1": b"in the index", "1.2": b"in the journal"}
    assert there(journal, tmp_path / "restored") == expected
    journal.store.instances(journal.study)
    back_up(journal.folder, tmp_path / "backup", user="ada", at=NOW)
    assert files_in(tmp_path / "backup" / "journal") == []


def test_what_waits_in_the_journal_counts_as_room_that_is_taken(journal):
    take(journal, "1.1", bytes(50_000))
    assert journal.store.waiting_bytes == 50_000
    disk = os.statvfs(journal.folder)
    journal.store.low_water = disk.f_bavail * disk.f_frsize + (1 << 30)
    with pytest.raises(StorageFull, match="low_water_mb"):
        take(journal, "1.2")
    journal.store.low_water = 0
    journal.store.instances(journal.study)
    assert journal.store.waiting_bytes == 0


def test_late_objects_settle_their_study_in_the_order_they_were_acknowledged(journal, later):
    take(journal, "1.1")
    assert journal.store.due_studies(later(60), 1) == [journal.study]
    seen = journal.store.study(journal.study).last_object_at
    take(journal, "1.2")
    assert journal.prepare(seen_at=seen) is False  # for one has come since
    assert journal.prepare() is True
    assert journal.state() == "waiting"


def test_the_journal_is_worked_off_by_itself(kit):
    kit.store.use_journal(1 << 20, every=0.02)
    take(kit, "1.1")
    there = threading.Event()
    for _ in range(500):
        if any(f.is_file() for f in (kit.folder / "blobs").rglob("*")):
            break
        there.wait(0.01)
    assert set(there_now(kit)) == {"1.1"}


@pytest.mark.parametrize("trusted", [True, False], ids=["as one", "file by file"])
def test_files_are_synced_before_their_segment_is_written_over(journal, monkeypatch, trusted):
    synced, real = [], os.fsync

    def note(handle):
        synced.append(str(Path(f"/proc/self/fd/{handle}").readlink()))
        real(handle)

    whole = lambda system: synced.append("everything") or trusted  # noqa: E731
    monkeypatch.setattr(syncing.FileSystem, "sync", whole)
    for number in range(4):
        take(journal, f"1.{number}", os.urandom(20000))
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
