"""A real S3-compatible object store, the network to it, and a store that uses it."""

import pytest

from dicom_service.store import spool
from tests.object_store import ObjectStore, Unreliable
from tests.store.bucket.kit import BucketKit


@pytest.fixture(scope="session")
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


@pytest.fixture
def kit(tmp_path, objects, way, monkeypatch):
    monkeypatch.setattr(spool, "_STAY_SECONDS", 0.0)
    made = BucketKit(tmp_path / "data", objects.place(way.url, seconds=2.0))
    yield made
    way.mode = ""
    made.store.close()
