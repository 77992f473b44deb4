"""Copies of what is in the bucket: as many as are wanted, and as the disk has room for."""

import errno
import os
import time

import pytest

from dicom_service.errors import StorageFull
from dicom_service.store import cache
from dicom_service.store.cache import Cache
from tests.store.conftest import STUDY

NAMES = [f"{number:032x}" for number in range(4)]


@pytest.fixture
def filled(tmp_path):
    """Four copies of a thousand bytes, the first asked for longest ago."""
    kept = Cache(tmp_path / "cache", 10_000)
    for number, name in enumerate(NAMES):
        kept.place(name).write_bytes(bytes(1000))
        old = time.time() - 10_000 + number
        os.utime(kept.place(name), (old, old))
    return kept


@pytest.mark.parametrize(("free", "left"), [(10_000, 4), (3900, 3), (1000, 2), (0, 2)])
def test_it_has_no_more_of_the_disk_than_it_leaves_free(filled, monkeypatch, free, left):
    monkeypatch.setattr(cache, "free_on", lambda _folder: free)
    assert filled.trim() == 1000 * left
    assert [name for name in NAMES if filled.find(name)] == NAMES[4 - left :]


def test_a_fetch_that_finds_the_disk_full_has_copies_give_way(kit, monkeypatch):
    kit.image("1.9.1")
    kit.image("1.9.2")
    kit.forget_copies()
    first, second = kit.store.instances(STUDY)
    old = time.time() - 10_000
    os.utime(first.path, (old, old))
    bucket, fetch = kit.store._blobs.bucket, kit.store._blobs.bucket.fetch

    def needs_room(name, to):
        if any(file.is_file() for file in (kit.folder / "cache").rglob("*")):
            raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))
        fetch(name, to)

    monkeypatch.setattr(bucket, "fetch", needs_room)
    assert second.path.read_bytes() == b"pixels"
    with pytest.raises(StorageFull):  # the other one has just been asked for, and stays
        _ = first.path
