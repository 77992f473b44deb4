"""Shared by all tests: outside programs are found here, and their absence is never silent."""

import gc
import shutil
from collections.abc import Callable, Iterator
from pathlib import Path

import hypothesis
import pytest
from argon2 import PasswordHasher
from playwright.sync_api import Browser, sync_playwright

from dicom_service import passwords
from test_pacs.archive import Archive
from tests.postgres_server import Server
from tests.scheduling import pytest_xdist_make_scheduler  # noqa: F401 - pytest finds it here

# A loaded machine is no fault of the code: how long an example takes decides nothing.
hypothesis.settings.register_profile("untimed", deadline=None, max_examples=50)
hypothesis.settings.load_profile("untimed")

# Hashes cost time so that guessing does; tests sign in hundreds of times and guess nothing.
passwords._HASHER = PasswordHasher(time_cost=1, memory_cost=1024, parallelism=1)
passwords._NOBODY = passwords._HASHER.hash("nobody has this password")


def pytest_collection_finish() -> None:
    """pynetdicom's servers collect all garbage every few seconds; what stays is left out of it."""
    gc.collect()
    gc.freeze()


SWITCHES = [
    "--no-sandbox",
    "--disable-gpu",
    "--disable-quic",
    "--no-first-run",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
]


@pytest.fixture(scope="session")
def program() -> Callable[[str], str]:
    """Full path of a Debian program; pynetdicom installs namesakes of DCMTK's on PATH."""

    def find(name: str) -> str:
        places = [Path("/usr/bin", name), Path("/usr/sbin", name)]
        found = next((str(p) for p in places if p.exists()), None) or shutil.which(name)
        if found is None:
            pytest.fail(f"{name} is not installed; 'bash tests/run' names the packages")
        return found

    return find


@pytest.fixture(scope="session")
def postgres() -> Iterator[Server]:
    """One PostgreSQL server for all tests of a process."""
    server = Server()
    yield server
    server.close()


@pytest.fixture(scope="session")
def chromium(program) -> Iterator[Browser]:
    """One headless Chromium for all tests: the library allows one at a time."""
    with sync_playwright() as playwright:
        browser = playwright.chromium.launch(executable_path=program("chromium"), args=SWITCHES)
        yield browser
        browser.close()


@pytest.fixture
def archive(tmp_path: Path) -> Iterator[Archive]:
    """An archive that nodes deliver to, with a folder of its own."""
    archive = Archive(tmp_path / "archive")
    archive.start()
    yield archive
    archive.stop()
