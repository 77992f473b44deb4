"""An accepted object is durable and visible; a refused one leaves nothing."""

import errno
import hashlib
import os
import resource
import sqlite3
import subprocess
import sys
import threading

import pytest
from sqlalchemy.exc import OperationalError

from dicom_service.errors import DifferentBytes, StorageFull, TryLater
from dicom_service.store import events
from dicom_service.store.digests import dataset_offset
from dicom_service.store.index import Unsure
from dicom_service.store.schema import instances
from tests.node.conftest import HANG_SECONDS, wait_for


def _files(kit):
    blobs = [f for f in (kit.folder / "blobs").rglob("*") if f.is_file()]
    return len(blobs), len(list(kit.store.incoming.iterdir()))


def test_an_accepted_object_is_there_with_its_bytes(kit):
    assert kit.image("1.1", b"bytes", source="CAMERA@10.0.0.7") == "new"
    (instance,) = kit.store.instances(kit.study)
    assert instance.path.read_bytes() == b"bytes"
    assert (instance.sop_instance_uid, instance.size, instance.own) == ("1.1", 5, False)
    assert instance.source == "CAMERA@10.0.0.7"
    assert _files(kit) == (1, 0)


def test_no_name_of_a_file_comes_from_the_sender(kit):
    kit.image("1.2.840.99999.1")
    assert "99999" not in "".join(str(f) for f in kit.folder.rglob("*"))


def test_the_same_object_again_is_a_success_that_changes_nothing(kit):
    kit.image("1.1")
    before = kit.store.study(kit.study)
    assert kit.image("1.1") == "duplicate"
    assert kit.store.study(kit.study) == before
    assert _files(kit) == (1, 0)


def test_other_bytes_under_one_uid_go_to_quarantine_and_the_first_copy_stays(kit):
    kit.image("1.1", b"first")
    with pytest.raises(DifferentBytes, match=r"1\.1"):
        kit.image("1.1", b"second", source="OTHER")
    (instance,) = kit.store.instances(kit.study)
    assert instance.path.read_bytes() == b"first"
    (aside,) = kit.store.quarantined()
    assert aside.path.read_bytes() == b"second"
    assert (aside.sop_instance_uid, aside.source) == ("1.1", "OTHER")
    assert [r.event for r in kit.store.audit_rows()] == ["different bytes", "study received"]


def test_the_same_other_bytes_are_kept_aside_once(kit):
    kit.image("1.1", b"first")
    for _ in range(2):
        with pytest.raises(DifferentBytes):
            kit.image("1.1", b"second")
    assert len(kit.store.quarantined()) == 1
    assert _files(kit) == (2, 0)


def test_file_meta_information_does_not_make_an_object_different(kit):
    def file(meta: bytes) -> bytes:
        length = b"\x02\x00\x00\x00UL\x04\x00" + len(meta).to_bytes(4, "little")
        return bytes(128) + b"DICM" + length + meta + b"the data set"

    kit.image("1.1", file(b"\x02\x00\x13\x00SH\x02\x00V1"))
    assert kit.image("1.1", file(b"\x02\x00\x13\x00SH\x04\x00V1.1")) == "duplicate"


def test_an_object_that_was_digested_in_the_older_way_is_known_again(kit):
    kit.image("1.1", b"first")
    older = {"digest": hashlib.sha256(b"first").hexdigest()}
    with kit.store._index.write() as connection:
        connection.execute(instances.update().values(**older))
    assert kit.image("1.1", b"first") == "duplicate"
    for _ in range(2):
        with pytest.raises(DifferentBytes):
            kit.image("1.1", b"second")
    assert len(kit.store.quarantined()) == 1


def test_a_file_that_ends_within_its_first_element_has_no_data_set():
    start = bytes(128) + b"DICM" + b"\x02\x00\x00\x00UL\x04\x00" + b"\x10\x00\x00\x00"
    assert [dataset_offset(start[:length]) for length in (0, 131, 140, 143)] == [0, 0, 0, 0]
    assert dataset_offset(start) == 144 + 16


def test_an_object_that_makes_no_work_is_kept_but_not_listed(kit, later):
    kit.other()
    assert kit.store.studies() == []
    assert kit.store.study(kit.study).state == "kept"
    assert kit.store.due_studies(later(60), 1) == []
    assert len(kit.store.instances(kit.study)) == 1


def test_the_order_is_sync_rename_sync_folder_row(kit, monkeypatch):
    order = []
    real_fsync, real_rename = os.fsync, os.rename
    monkeypatch.setattr(os, "fsync", lambda fd: (order.append("sync"), real_fsync(fd))[1])
    monkeypatch.setattr(os, "rename", lambda a, b: (order.append("rename"), real_rename(a, b))[1])
    real_begin = events.begin
    monkeypatch.setattr(
        events, "begin", lambda *a, **o: (order.append("row"), real_begin(*a, **o))[1]
    )
    kit.image("1.1")
    # The two syncs before the renaming are of the folders made for it.
    assert order == ["sync", "sync", "sync", "rename", "sync", "row"]


@pytest.mark.parametrize("call", ["fsync", "rename"])
@pytest.mark.parametrize("number", [errno.ENOSPC, errno.EDQUOT])
def test_a_full_disk_is_said_and_leaves_nothing(kit, monkeypatch, call, number):
    def full(*_):
        raise OSError(number, os.strerror(number))

    with monkeypatch.context() as patch:
        patch.setattr(os, call, full)
        with pytest.raises(StorageFull, match="Free some room"):
            kit.image("1.1")
    assert kit.store.instances(kit.study) == []
    assert _files(kit) == (0, 0)
    assert kit.image("1.1") == "new"


def test_a_full_disk_under_the_index_is_said_and_leaves_nothing(sqlite_kit, monkeypatch):
    def begin(*_, **__):
        raise OperationalError("INSERT", {}, sqlite3.OperationalError("database or disk is full"))

    monkeypatch.setattr("dicom_service.store.events.begin", begin)
    with pytest.raises(StorageFull, match="index"):
        sqlite_kit.image("1.1")
    assert sqlite_kit.store.study(sqlite_kit.study) is None
    assert _files(sqlite_kit) == (0, 0)


def test_signing_without_room_signs_nothing_and_keeps_the_draft(tmp_path, kit):
    kit.image()
    kit.prepare()
    kit.save("draft")
    big = kit.document()
    big = big.model_copy(update={"data": big.data + bytes(3_000_000)})
    soft, hard = resource.getrlimit(resource.RLIMIT_FSIZE)
    resource.setrlimit(resource.RLIMIT_FSIZE, (2_000_000, hard))
    try:
        with pytest.raises(StorageFull):
            kit.sign(documents=[kit.document(), big])
    finally:
        resource.setrlimit(resource.RLIMIT_FSIZE, (soft, hard))
    assert kit.state() == "reading"
    assert kit.store.documents(kit.study) == kit.store.outbox(kit.study) == []
    assert _files(kit) == (1, 0)
    kit.sign()
    assert kit.state() == "signed"


def test_many_threads_lose_and_double_nothing(kit):
    def send(part):
        for number in range(20):
            kit.image(f"1.1.{number}", f"{number}".encode())
            kit.image(f"1.2.{part}.{number}", f"{part}{number}".encode())

    threads = [threading.Thread(target=send, args=(part,)) for part in range(4)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert len(kit.store.instances(kit.study)) == 20 + 4 * 20
    assert kit.store.study(kit.study).images == 100
    assert _files(kit) == (100, 0)


KILLED = """
import sys
from pathlib import Path
from dicom_service.store import InstanceHeader, Store
store = Store(Path(sys.argv[1]), index_url=sys.argv[2])
for number in range(3):
    temp = store.incoming / f"{number}.part"
    temp.write_bytes(b"pixels %d" % number)
    header = InstanceHeader(
        sop_instance_uid=f"1.1.{number}", sop_class_uid="1.2.840.10008.5.1.4.1.1.1",
        study_uid="1.2.3", series_uid="1.2.3.1", transfer_syntax="1.2.840.10008.1.2.1")
    store.accept(temp, header, source="CAMERA")
    print(number, flush=True)
"""


@pytest.mark.parametrize(
    ("fault", "acknowledged", "stored", "aside"),
    [("accept.renamed:2", 1, 1, 1), ("accept.committed:2", 1, 2, 0)],
)
def test_kill_9_loses_no_acknowledged_object(kit, fault, acknowledged, stored, aside):
    kit.store.close()
    command = [sys.executable, "-c", KILLED, str(kit.folder), kit.index_url]
    environment = os.environ | {"SESAMOID_FAULT": fault}
    run = subprocess.run(command, env=environment, capture_output=True, text=True, timeout=30)
    assert run.returncode == -9, run.stderr
    assert len(run.stdout.split()) == acknowledged
    store = kit.restart()
    report = store.sweep()
    assert report.blobs_without_rows == aside
    assert len(list((kit.folder / "set-aside").glob("*"))) == aside
    assert len(store.instances(kit.study)) == stored
    assert all(i.path.read_bytes().startswith(b"pixels") for i in store.instances(kit.study))
    assert kit.image("1.1.0", b"pixels 0") == "duplicate"
    assert store.sweep().blobs_without_rows == 0


def test_objects_that_may_have_been_committed_together_keep_their_files(kit, monkeypatch):
    """The index went away while it kept three at once, and it had kept them."""
    began, others_wait = threading.Event(), threading.Event()
    really = kit.store._write_rows

    def write(arrivals):
        if not began.is_set():
            began.set()
            others_wait.wait(HANG_SECONDS)
            return really(arrivals)
        if len(arrivals) == 1:
            raise TryLater("The index cannot be reached.")
        really(arrivals)
        raise Unsure("The index went away.")

    def send(uid):
        try:
            outcomes.append(kit.image(uid))
        except TryLater as error:
            outcomes.append(type(error))

    outcomes: list[object] = []
    monkeypatch.setattr(kit.store, "_write_rows", write)
    first = threading.Thread(target=send, args=("1.1",))
    first.start()
    assert began.wait(HANG_SECONDS)
    others = [threading.Thread(target=send, args=(f"1.2.{n}",)) for n in range(3)]
    for thread in others:
        thread.start()
    wait_for(lambda: len(kit.store._arrivals) == 3)
    others_wait.set()
    for thread in (first, *others):
        thread.join()
    assert outcomes == ["new", Unsure, Unsure, Unsure]
    stored = kit.store.instances(kit.study)
    assert len(stored) == 4
    assert all(one.path.is_file() for one in stored)
