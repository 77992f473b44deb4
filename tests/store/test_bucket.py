"""Objects in a bucket: confirmed before they are acknowledged, and nothing lost while it is away.

Against a real S3-compatible object store (tests/object_store.py).
"""

import logging
import os
import signal
import subprocess
import sys
from dataclasses import replace
from datetime import UTC, datetime, timedelta

import obstore
import pytest
import requests
from sqlalchemy import update

from dicom_service.cli import main
from dicom_service.errors import SetupError, StorageFull, StoreAway, outcome_of
from dicom_service.service import Service
from dicom_service.settings import Settings
from dicom_service.store import Store, comparing, faults, spool
from dicom_service.store.bucket import Bucket
from dicom_service.store.elsewhere import Elsewhere, Spooling
from dicom_service.store.schema import instances
from tests.hostile import bucket as hostile
from tests.node.conftest import associate, image
from tests.object_store import SECRET, ObjectStore, Unreliable
from tests.store.conftest import CR, STUDY, Kit

MB = 1 << 20


@pytest.fixture(scope="module")
def objects():
    running = ObjectStore()
    yield running
    running.close()


@pytest.fixture
def way(objects):
    """The network between node and object store."""
    between = Unreliable(objects.port)
    yield between
    between.close()


class BucketKit(Kit):
    """A store whose objects are in a bucket."""

    def __init__(self, folder, place, spooling=None, index_url=""):
        self.place, self.spooling = place, spooling or Spooling()
        super().__init__(folder, index_url)

    def open(self, **options):
        where = Elsewhere(self.place, self.spooling)
        return Store(self.folder, index_url=self.index_url, elsewhere=where, **options)

    def read(self, study=STUDY):
        return {row.sop_instance_uid: row.path.read_bytes() for row in self.store.instances(study)}

    def forget_copies(self):
        """What is on this machine but need not be."""
        self.store.drain()
        for name in list(self.store._blobs.names()):
            self.store._blobs._file(name).unlink()
        for file in (self.folder / "cache").rglob("*"):
            if file.is_file():
                file.unlink()


@pytest.fixture
def kit(tmp_path, objects, way, monkeypatch):
    monkeypatch.setattr(spool, "_STAY_SECONDS", 0.0)
    made = BucketKit(tmp_path / "data", objects.place(way.url, seconds=2.0))
    yield made
    way.mode = ""
    made.store.close()


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


def command(kit, monkeypatch, *words):
    """A command, with the settings of the node."""
    place = kit.place
    told = {"name": place.name, "endpoint": place.endpoint, "prefix": place.prefix}
    told |= {"access_key": place.access_key, "secret_key": place.secret_key}
    told["spool_mb"] = str(kit.spooling.most >> 20)
    for name, value in told.items():
        monkeypatch.setenv(f"SESAMOID_BUCKET_{name.upper()}", value)
    monkeypatch.setenv("SESAMOID_INDEX_URL", kit.index_url)
    return main(["--data", str(kit.folder), *words])


def test_a_folder_is_moved_into_a_bucket_while_it_works_and_back_by_a_command(
    tmp_path, objects, monkeypatch, capsys
):
    monkeypatch.setattr(spool, "_STAY_SECONDS", 0.0)
    plain = Kit(tmp_path / "data")
    plain.image("1.9.1", data=b"first")
    plain.signed()
    plain.store.close()
    kit = BucketKit(tmp_path / "data", objects.place())
    kit.image("1.7.2", data=b"second")
    kit.store.drain()
    before = kit.read()
    assert len(before) == len(objects.names(kit.place)) == 4
    assert not list(kit.store._blobs.names())
    kit.store.close()
    assert command(kit, monkeypatch, "bucket", "leave") == 0
    assert "4 objects are where the index says" in capsys.readouterr().out
    monkeypatch.setenv("SESAMOID_BUCKET_NAME", "")
    plain.store = plain.open()
    assert plain.store.sweep().sentence == ""
    assert {r.sop_instance_uid: r.path.read_bytes() for r in plain.store.instances(STUDY)} == before
    plain.store.close()


def test_bucket_and_index_are_compared_and_put_right(kit, objects, monkeypatch, capsys):
    for uid in ("1.9.1", "1.9.2", "1.9.3"):
        kit.image(uid, data=uid.encode())
    first, second, _ = kit.store.instances(STUDY)
    bucket = kit.store._blobs.bucket
    assert command(kit, monkeypatch, "bucket", "check") == 0
    kit.forget_copies()
    bucket.remove(first.blob.name)
    obstore.put(bucket._store, "blobs/unknown", b"?")
    with kit.store.changing() as connection:
        connection.execute(
            update(instances).where(instances.c.blob == second.blob.name).values(missing=True)
        )
    assert command(kit, monkeypatch, "bucket", "check") == 1
    said = capsys.readouterr().out
    assert f"1 are lost: send their studies again, or restore a backup: {first.blob.name}" in said
    assert "unknown" not in said  # it may be on its way into the index
    monkeypatch.setattr(comparing, "_SETTLED", timedelta(seconds=-5))
    assert command(kit, monkeypatch, "bucket", "mend") == 0
    assert (
        "1 are in the bucket for a day and nothing names them: unknown" in capsys.readouterr().out
    )
    assert set(kit.read()) == {"1.9.2", "1.9.3"}
    assert objects.names(kit.place) == {row.blob.name for row in kit.store.instances(STUDY)}
    assert kit.image("1.9.1", data=b"1.9.1") == "new"


def test_a_backup_has_what_the_bucket_has_and_is_restored_into_another(
    kit, tmp_path, objects, monkeypatch
):
    kit.image("1.9.1", data=b"first")
    kit.signed()
    kit.forget_copies()
    before = kit.read()
    kit.forget_copies()
    assert command(kit, monkeypatch, "backup", str(tmp_path / "backup")) == 0
    there = BucketKit.__new__(BucketKit)
    there.folder, there.place = tmp_path / "there", objects.place()
    there.spooling, there.index_url = Spooling(), ""
    assert command(there, monkeypatch, "restore", str(tmp_path / "backup")) == 0
    assert len(objects.names(there.place)) == len(before)
    there.store = there.open()
    there.forget_copies()
    assert there.read() == before
    there.store.close()


def test_nodes_of_one_index_need_no_folder_in_common_when_they_have_a_bucket(
    tmp_path, objects, postgres
):
    url, place = postgres.database(), objects.place()
    one = BucketKit(tmp_path / "one", place, Spooling(most=0), url)
    other = BucketKit(tmp_path / "other", place, Spooling(most=0), url)
    one.image("1.9.1", data=b"first")
    assert other.read() == {"1.9.1": b"first"}
    assert other.image("1.9.1", data=b"first") == "duplicate"
    now = datetime.now(UTC)
    assert one.store.claim("template", STUDY, now, 60)
    other.restart().sweep()
    assert not other.store.claim("template", STUDY, now, 60)  # still the first one's
    other.signed()
    assert one.read() == other.read()
    one.store.close()
    other.store.close()
    with pytest.raises(SetupError, match="belongs to another data folder"):
        BucketKit(tmp_path / "third", objects.place(), Spooling(most=0), url)
    postgres.give_back(url)


_LIFE = """
import sys
from pathlib import Path
from dicom_service.service import Service
from dicom_service.settings import Settings
from dicom_service.store import Store, spool
from dicom_service.store.elsewhere import Elsewhere, Place, Spooling
from tests.store.test_bucket import BucketKit

spool._STAY_SECONDS = 0.0
folder, name, endpoint, prefix, key, secret, first, number = sys.argv[1:]
place = Place(name, endpoint, prefix=prefix, access_key=key, secret_key=secret)
kit = BucketKit(Path(folder), place, Spooling(first=bool(int(first))))
kit.store.sweep()
for image in range(4):
    uid = f"1.9.{number}.{image}"
    kit.image(uid, data=uid.encode() * 100)
    print(uid, flush=True)
kit.store.drain()
kit.store.close()
"""


def life(folder, place, fault="", *, first=False, number=1):
    """A process that stores four objects; returns how it ended and what was acknowledged."""
    assert fault.partition(":")[0] in ("", *faults.POINTS, *faults.BUCKET_POINTS)
    told = [folder, place.name, place.endpoint, place.prefix, place.access_key, place.secret_key]
    done = subprocess.run(
        [sys.executable, "-c", _LIFE, *map(str, told), str(int(first)), str(number)],
        env={**os.environ, faults.VARIABLE: fault},
        capture_output=True,
        text=True,
        timeout=60,
    )
    assert done.returncode in (0, -signal.SIGKILL), done.stderr
    return done.returncode, done.stdout.split()


@pytest.mark.parametrize(
    ("fault", "first"),
    [
        pytest.param("accept.renamed:2", False, marks=pytest.mark.long),
        ("bucket.settled:2", False),
        pytest.param("accept.committed:2", False, marks=pytest.mark.long),
        pytest.param("bucket.drained", True, marks=pytest.mark.long),
        pytest.param("bucket.left:2", True, marks=pytest.mark.long),
    ],
)
def test_killed_at_any_point_nothing_acknowledged_is_lost_and_nothing_unknown_stays(
    tmp_path, objects, fault, first, monkeypatch
):
    place = objects.place()
    status, acknowledged = life(tmp_path / "data", place, fault, first=first)
    assert status == -signal.SIGKILL
    kit = BucketKit(tmp_path / "data", place)
    kit.store.sweep()
    kit.store.drain()
    kept = kit.read()
    assert set(acknowledged) <= set(kept)
    if first:  # moved before its row was there, which takes a minute but in this test
        monkeypatch.setattr(comparing, "_SETTLED", timedelta(seconds=-5))
        comparing.mend(kit.store, comparing.compare(kit.store))
    assert objects.names(place) == {row.blob.name for row in kit.store.instances(STUDY)}
    kit.forget_copies()
    assert kit.read() == kept == {uid: uid.encode() * 100 for uid in kept}
    kit.store.close()


@pytest.mark.long
@pytest.mark.parametrize("careless", ["", "trusts the store"])
def test_kill_9_while_the_bucket_comes_and_goes_breaks_no_promise(
    tmp_path, objects, way, monkeypatch, careless
):
    if careless:
        monkeypatch.setattr(hostile, "MODES", ("", "lying"))
    found, _ = hostile.run(1, tmp_path / "data", objects.place(way.url), way, careless)
    assert bool(found) is bool(careless), found
