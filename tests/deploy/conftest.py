"""What the whole big set-up stands on."""

import pytest

from tests.object_store import ObjectStore


@pytest.fixture(scope="session")
def objects():
    running = ObjectStore()
    yield running
    running.close()
