"""Killed at any point with objects on their way to a bucket: nothing acknowledged is lost.

Against a real S3-compatible object store (tests/object_store.py).
"""

import os
import signal
import subprocess
import sys
from datetime import timedelta

import pytest

from dicom_service.store import comparing, faults
from tests.hostile import bucket as hostile
from tests.store.bucket.kit import BucketKit
from tests.store.conftest import STUDY

_LIFE = """
import sys
from pathlib import Path
from dicom_service.service import Service
from dicom_service.settings import Settings
from dicom_service.store import Store, spool
from dicom_service.store.elsewhere import Elsewhere, Place, Spooling
from tests.store.bucket.kit import BucketKit

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
