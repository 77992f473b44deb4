"""A whole clinic on loopback for one test, and a signed-in reader."""

import contextlib
from collections.abc import Callable, Iterator

import pytest

from test_pacs.clinic import Clinic
from test_pacs.reader import ReaderClient
from tests import peers
from tests.job.helpers import signed_in
from tests.peers import OutsideArchive, Program


@pytest.fixture
def clinic(tmp_path, request) -> Iterator[Clinic]:
    """A test may give more settings as the fixture's parameter."""
    options = {"settle_seconds": 0.5, "retry_first_seconds": 0.2} | getattr(request, "param", {})
    with Clinic(tmp_path, options=options) as clinic:
        yield clinic


@pytest.fixture
def reader(clinic) -> ReaderClient:
    return signed_in(clinic.service.store, clinic.service.address)


@pytest.fixture
def orthanc(tmp_path, program: Program) -> Iterator[Callable[[int], OutsideArchive]]:
    """Starts an Orthanc that knows the node at the given DIMSE port."""
    with contextlib.ExitStack() as running:
        yield lambda node_port: running.enter_context(
            peers.orthanc(program, tmp_path / "orthanc", node_port)
        )


@pytest.fixture
def dcmqrscp(tmp_path, program: Program) -> Iterator[Callable[[int], OutsideArchive]]:
    """Starts DCMTK's archive, which knows the node at the given DIMSE port."""
    with contextlib.ExitStack() as running:
        yield lambda node_port: running.enter_context(
            peers.dcmqrscp(program, tmp_path / "dcmqrscp", node_port)
        )
