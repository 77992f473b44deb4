"""A large object on its way to the disk: past the cache where that is possible, in any pieces."""

import fcntl
import os
import random

import pytest

from dicom_service.errors import StorageFull
from dicom_service.node.limits import Limits
from dicom_service.node.stream import IncomingFile
from dicom_service.node.stream.file import file_start
from dicom_service.node.stream.scribe import SHEET, Scribe
from dicom_service.store.digests import digest_of_bytes
from tests.node.stream_line import CR, EXPLICIT


@pytest.mark.parametrize(
    "refused", ["when it is asked for", "at the first write", "never"], ids=lambda text: text
)
def test_a_file_system_that_wants_all_through_its_cache_gets_it_so(tmp_path, monkeypatch, refused):
    change, write, changes = fcntl.fcntl, os.write, []

    def asked(handle, command, flags=0):
        changes.append(flags)
        if refused == "when it is asked for" and flags & os.O_DIRECT:
            raise OSError(22, "Invalid argument")
        return change(handle, command, flags)

    def written(handle, data):
        if refused == "at the first write" and changes == [os.O_DIRECT]:
            raise OSError(22, "Invalid argument")
        return write(handle, data)

    monkeypatch.setattr("fcntl.fcntl", asked)
    monkeypatch.setattr("os.write", written)
    head = len(file_start(CR, "1.2.3", EXPLICIT))
    for size in (1, 4096 - head, SHEET - head, SHEET, 2 * SHEET - head + 1, 5 * SHEET + 77):
        changes.clear()
        data = random.Random(size).randbytes(size)
        file = IncomingFile(tmp_path, CR, "1.2.3", EXPLICIT, Limits())
        file.append(memoryview(data))
        file.close()
        assert file.error is None
        assert file.path.read_bytes()[file.offset :] == data
        assert file.digest == digest_of_bytes(data)
        file.discard()


def test_a_disk_that_fills_behind_the_receivers_back_is_remembered(tmp_path, monkeypatch):
    def full(*_):
        raise OSError(28, "No space left on device")

    scribe = Scribe()
    file = IncomingFile(tmp_path, CR, "1.2.3", EXPLICIT, Limits())
    monkeypatch.setattr("os.write", full)
    file.append(memoryview(b"data"))
    file.complete()
    assert isinstance(file.error, StorageFull)
    file.discard()
    scribe.close()
    assert list(tmp_path.iterdir()) == []


def test_what_a_scribes_job_raises_is_raised_to_who_waits_for_it():
    def broken():
        raise RuntimeError("of the job")

    scribe = Scribe()
    scribe.begin(broken, scribe.sheet())
    with pytest.raises(RuntimeError, match="of the job"):
        scribe.wait()
    scribe.close()


def test_a_full_disk_is_remembered_and_the_rest_of_the_object_is_dropped(tmp_path, monkeypatch):
    def full(*_):
        raise OSError(28, "No space left on device")

    file = IncomingFile(tmp_path, CR, "1.2.3", EXPLICIT, Limits())
    monkeypatch.setattr("os.write", full)
    file.append(memoryview(bytes(SHEET)))
    file.append(memoryview(b"more"))
    file.complete()
    assert isinstance(file.error, StorageFull)
    file.discard()
    assert list(tmp_path.iterdir()) == []


def test_an_object_without_end_is_given_up_at_the_limit(tmp_path):
    file = IncomingFile(tmp_path, CR, "1.2.3", EXPLICIT, Limits(object=1000))
    for _ in range(100):
        file.append(memoryview(bytes(100)))
        file.complete()
    assert "larger than 1000" in str(file.error)
    assert file.path.stat().st_size <= 1000
    file.discard()


def test_the_file_starts_as_the_library_would_write_it():
    from pydicom.uid import UID
    from pynetdicom.dsutils import create_file_meta, encode_file_meta

    for instance in ("1.2.3", "1.2.34"):
        meta = create_file_meta(
            sop_class_uid=UID(CR), sop_instance_uid=UID(instance), transfer_syntax=UID(EXPLICIT)
        )
        expected = bytes(128) + b"DICM" + encode_file_meta(meta)
        assert file_start(CR, instance, EXPLICIT) == expected
