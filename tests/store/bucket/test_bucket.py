"""Objects in a bucket: confirmed before they are acknowledged, and nothing lost while it is away.

Against a real S3-compatible object store (tests/object_store.py).
"""

import filecmp
import logging
import os
import tracemalloc
from dataclasses import replace

import obstore
import pytest
import requests

from dicom_service.errors import SetupError, StorageFull, StoreAway, outcome_of
from dicom_service.service import Service
from dicom_service.settings import Settings
from dicom_service.store import Store
from dicom_service.store.bucket import Bucket
from dicom_service.store.elsewhere import Spooling
from tests.node.conftest import associate, image
from tests.object_store import SECRET
from tests.store.bucket.kit import BucketKit
from tests.store.conftest import CR, STUDY


def test_an_acknowledged_object_is_in_the_bucket_and_is_read_from_there(kit, objects):
    assert kit.image("1.9.1", data=b"pixels" * 1000) == "new"
    (row,) = kit.store.instances(STUDY)
    assert objects.names(kit.place) == {row.blob.name}
    assert kit.store.spooled == (0, 0)
    kit.forget_copies()
    assert not list(kit.store._blobs.names())
    assert kit.read() == {"1.9.1": b"pixels" * 1000}
    kit.restart()
    assert kit.store.sweep().sentence == ""
    assert kit.read() == {"1.9.1": b"pixels" * 1000}


def test_what_the_bucket_confirmed_leaves_the_spool_for_a_bounded_cache(kit, monkeypatch):
    kit.image("1.9.1")
    kit.store.drain()
    assert not list(kit.store._blobs.names())
    (row,) = kit.store.instances(STUDY)
    assert row.path.is_relative_to(kit.folder / "cache")
    monkeypatch.setattr("dicom_service.store.cache._READ_SECONDS", -1.0)
    assert kit.store._blobs._cache.trim(0) == 0
    assert kit.read() == {"1.9.1": b"pixels"}


def test_a_store_that_knows_no_conditional_writes_is_said_to_be_unfit_and_not_away(kit, way):
    """OpenStack Swift 2.30 answers so."""
    way.mode = "unable"
    way.of = lambda method, path: method == "PUT"
    with pytest.raises(SetupError, match="does not know conditional writes"):
        kit.restart()
    way.mode = ""
    kit.restart()


@pytest.mark.parametrize("mode", ["away", "slow", "busy", "denied", "lost", "lying"])
def test_while_the_bucket_fails_objects_wait_in_the_spool_and_are_moved_later(
    kit, way, objects, mode, caplog
):
    caplog.set_level(logging.DEBUG)
    if mode == "slow":
        kit.place = replace(kit.place, timeout_seconds=0.7)
        kit.restart()
    way.mode = mode
    way.of = lambda method, path: mode != "lying" or method == "PUT"
    assert kit.image("1.9.1", data=b"first") == "new"
    assert kit.image("1.9.2", data=b"second") == "new"
    assert kit.store.spooled == (2, 11)
    assert kit.place.name in kit.store.away
    assert kit.read() == {"1.9.1": b"first", "1.9.2": b"second"}
    with pytest.raises(StoreAway):
        kit.store.drain()
    way.mode = ""
    kit.store.drain()
    assert (kit.store.spooled, kit.store.away) == ((0, 0), "")
    assert objects.names(kit.place) == {row.blob.name for row in kit.store.instances(STUDY)}
    kit.forget_copies()
    assert kit.read() == {"1.9.1": b"first", "1.9.2": b"second"}
    assert SECRET not in caplog.text + kit.store.away


def test_half_an_answer_or_other_bytes_are_never_shown_as_the_object(kit, way):
    kit.image("1.9.1", data=b"pixels" * 1000)
    (row,) = kit.store.instances(STUDY)
    kit.forget_copies()
    way.mode = "cut"
    with pytest.raises(StoreAway):
        _ = row.path
    way.mode = ""
    bucket = kit.store._blobs.bucket
    whole = obstore.get(bucket._store, f"blobs/{row.blob.name}")
    other = bytes(whole.bytes())[:-1] + b"X"
    key, said = f"blobs/{row.blob.name}", dict(whole.attributes)
    obstore.put(bucket._store, key, other, attributes={"sha256": said["sha256"]})
    with pytest.raises(StoreAway, match="is not what it was given"):
        _ = row.path
    assert not [file for file in (kit.folder / "cache").rglob("*") if file.is_file()]


def test_what_the_bucket_has_under_a_name_is_never_written_over(kit, objects):
    bucket = kit.store._blobs.bucket
    name = kit.store._blobs._file("x").name
    kit.store._blobs.write(name, b"ours")
    obstore.put(bucket._store, f"blobs/{name}", b"theirs")
    kit.store._blobs.sync([name])
    kit.image("1.9.1")
    with pytest.raises(StoreAway, match="other bytes under the name x"):
        kit.store.drain()
    assert bytes(obstore.get(bucket._store, f"blobs/{name}").bytes()) == b"theirs"
    assert kit.store._blobs.path(name).read_bytes() == b"ours"
    (row,) = kit.store.instances(STUDY)
    assert row.blob.name in objects.names(kit.place)


def test_a_store_that_writes_over_what_it_has_is_not_used(tmp_path, objects, monkeypatch):
    put = obstore.put

    def careless(store, path, data, **options):
        return put(store, path, data, **options | {"mode": "overwrite"})

    monkeypatch.setattr(obstore, "put", careless)
    with pytest.raises(SetupError, match="conditional writes"):
        BucketKit(tmp_path / "data", objects.place())


def test_with_a_full_spool_images_are_refused_and_reports_are_kept(tmp_path, objects, way):
    kit = BucketKit(tmp_path / "data", objects.place(way.url, 2.0), Spooling(most=1000))
    way.mode = "away"
    kit.image("1.9.1", data=b"x" * 999)
    kit.image("1.9.2", data=b"x" * 999)
    assert kit.store.spool_full
    with pytest.raises(StorageFull, match=r"2 objects .* wait for it here") as refused:
        kit.image("1.9.3")
    assert outcome_of(refused.value).dimse == 0xA700
    assert kit.store.refused == 1
    kit.store._blobs.create(b"a report")
    way.mode = ""
    kit.store.drain()
    assert kit.image("1.9.3") == "new"
    kit.store.close()


def test_without_a_spool_nothing_is_acknowledged_that_the_bucket_has_not(tmp_path, objects, way):
    kit = BucketKit(tmp_path / "data", objects.place(way.url, 2.0), Spooling(most=0))
    way.mode = "away"
    with pytest.raises(StoreAway):
        kit.image("1.9.1")
    assert kit.store.instances(STUDY) == []
    assert not list(kit.store._blobs.names())
    way.mode = ""
    kit.store.drain()
    assert kit.image("1.9.1") == "new"
    kit.store.close()


def test_a_removed_object_goes_from_the_bucket_also_when_that_was_away(kit, way, objects):
    kit.image("1.9.1", data=b"first")
    with pytest.raises(Exception, match="other content"):
        kit.image("1.9.1", data=b"second")
    assert len(objects.names(kit.place)) == 2
    way.mode = "away"
    (aside,) = kit.store.quarantined()
    kit.store.decide_quarantined(aside.id, "discard", user="ada", at=aside.received_at)
    kit.restart()
    assert kit.store.away
    way.mode = ""
    kit.store.drain()
    (row,) = kit.store.instances(STUDY)
    assert objects.names(kit.place) == {row.blob.name}


def test_a_node_starts_while_its_bucket_is_away_and_finds_out_later_whether_it_is_the_right_one(
    kit, way, objects
):
    kit.image("1.9.1")
    way.mode = "away"
    kit.restart()
    kit.image("1.9.2")
    assert kit.store.spooled[0] == 2  # what was not drained yet counts until it is looked at
    way.mode = ""
    kit.store.drain()
    assert len(objects.names(kit.place)) == 2
    way.mode = "away"
    kit.restart()
    Bucket(kit.place)
    obstore.delete(Bucket(objects.place(prefix=kit.place.prefix))._store, "home")
    way.mode = ""
    with pytest.raises(SetupError, match="nobody's"):
        kit.store.drain()


def test_the_bucket_of_another_folder_and_a_folder_without_its_bucket_are_refused(
    kit, tmp_path, objects
):
    kit.image("1.9.1")
    kit.store.close()
    with pytest.raises(SetupError, match="are in a bucket"):
        Store(kit.folder)
    with pytest.raises(SetupError, match="the objects of another data folder"):
        BucketKit(tmp_path / "other", kit.place)
    right, kit.place = kit.place, objects.place()
    with pytest.raises(SetupError, match="nobody's"):
        kit.open()
    kit.place = right
    kit.store = kit.open()
    assert kit.read() == {"1.9.1": b"pixels"}


@pytest.mark.parametrize(
    ("place", "words"),
    [
        ({"name": "nosuchbucket"}, "There is no bucket nosuchbucket"),
        ({"secret_key": "wrong"}, "does not let this node into the bucket"),
        ({"endpoint": "http://127.0.0.1:9"}, "does not answer"),
    ],
)
def test_a_bucket_that_cannot_be_used_is_said_at_the_first_start(tmp_path, objects, place, words):
    with pytest.raises(SetupError, match=words):
        BucketKit(tmp_path / "data", replace(objects.place(), **place))


def test_a_node_says_to_senders_and_balancers_when_it_can_take_no_more(tmp_path, objects, way):
    place = objects.place(way.url, 2.0)
    told = {"name": place.name, "endpoint": place.endpoint, "prefix": place.prefix, "spool_mb": 1}
    told |= {"access_key": place.access_key, "secret_key": place.secret_key, "timeout_seconds": 2}
    settings = Settings(data_folder=tmp_path / "node", dimse_port=0, http_port=0, bucket=told)
    with Service(settings) as service:
        big = [image(rows=700, columns=700) for _ in range(3)]
        association = associate(service.dimse_port, [(CR, big[0].file_meta.TransferSyntaxUID)])
        way.mode = "away"
        assert association.send_c_store(big[0]).Status == 0x0000
        assert requests.get(f"{service.address}api/health/ready", timeout=10).status_code == 200
        assert association.send_c_store(big[1]).Status == 0x0000
        assert association.send_c_store(big[2]).Status == 0xA700
        answer = requests.get(f"{service.address}api/health/ready", timeout=10)
        assert answer.status_code == 503
        assert "no more may wait for it" in answer.json()["storage"]
        figures = requests.get(f"{service.address}metrics", timeout=10).text
        assert "sesamoid_bucket_away 1.0" in figures
        assert "sesamoid_spool_objects 2.0" in figures
        assert "sesamoid_spool_refused_total 1.0" in figures
        way.mode = ""
        service.store.drain()
        assert association.send_c_store(big[2]).Status == 0x0000
        association.release()
        kept = {
            row.blob.name for one in big for row in service.store.instances(one.StudyInstanceUID)
        }
        assert len(kept) == 3
        assert kept <= objects.names(place)


def test_an_object_on_its_way_to_the_bucket_and_back_is_not_held_in_memory(tmp_path, objects):
    size = 64 << 20
    large = tmp_path / "large"
    with large.open("wb") as file:
        for _ in range(size >> 20):
            file.write(os.urandom(1 << 20))
    bucket = Bucket(objects.place(seconds=60.0))
    tracemalloc.start()
    try:
        bucket.keep("large", large)
        bucket.fetch("large", tmp_path / "back")
        _, peak = tracemalloc.get_traced_memory()
    finally:
        tracemalloc.stop()
    assert peak < size // 8
    assert filecmp.cmp(large, tmp_path / "back", shallow=False)
    (tmp_path / "empty").touch()
    bucket.keep("empty", tmp_path / "empty")
    assert bucket.size("empty") == 0
