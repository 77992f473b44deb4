"""Archives to examine: our own, with faults to switch on, and two that others have written."""

from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

from dicom_service import validators
from dicom_service.conformance import Result, Run, Target, run_checks
from dicom_service.settings import Peer, Settings
from test_pacs.archive import Archive
from tests.peers import free_port


@pytest.fixture(autouse=True)
def own_rules_only(monkeypatch) -> None:
    """Outside validators have their own tests; here they would only take time."""
    monkeypatch.setattr(validators, "available", lambda: ())


@pytest.fixture
def port() -> int:
    """Where the examination listens."""
    return free_port()


@pytest.fixture
def archive(tmp_path: Path, port: int) -> Iterator[Archive]:
    peers = {"SESAMOID": ("127.0.0.1", port)}
    with Archive(tmp_path / "archive", peers=peers) as running:
        yield running


@pytest.fixture
def examine(tmp_path: Path, port: int) -> Callable[..., dict[str, Result]]:
    """Examine a peer: id of the check -> its result. The last run is `examine.run`."""

    def look(
        peer_port: int, title: str = "ARCHIVE", only: tuple[str, ...] = (), **options: object
    ) -> dict[str, Result]:
        peer = Peer(name="peer", ae_title=title, port=peer_port)
        settings = Settings(data_folder=tmp_path / "data", dimse_port=port)
        values = {"report_seconds": 1.5, "answer_seconds": 5.0, **options}
        look.run = Run(Target(peer=peer, **values), settings)
        try:
            return {result.id: result for result in run_checks(look.run, only)}
        finally:
            look.run.close()

    return look


def verdicts(results: dict[str, Result], verdict: str) -> set[str]:
    return {name for name, result in results.items() if result.verdict == verdict}
