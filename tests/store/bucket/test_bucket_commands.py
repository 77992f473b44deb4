"""Into a bucket and back, compared with its index, backed up, and used by several nodes."""

from datetime import UTC, datetime, timedelta

import obstore
import pytest
from sqlalchemy import update

from dicom_service.cli import main
from dicom_service.errors import SetupError
from dicom_service.store import comparing, spool
from dicom_service.store.elsewhere import Spooling
from dicom_service.store.schema import instances
from tests.store.bucket.kit import BucketKit
from tests.store.conftest import STUDY, Kit


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
