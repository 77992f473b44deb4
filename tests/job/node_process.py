"""The node as a process of its own, which can be killed and started again."""

import os
import re
import signal
import subprocess
import sys
from pathlib import Path
from threading import Timer

from dicom_service.passwords import hash_password
from dicom_service.store import Store
from test_pacs.reader import ReaderClient
from tests.job.helpers import PASSWORD, USER

START_SECONDS = 90.0


class NodeProcess:
    """`sesamoid serve` as a process that can be killed.

    Parameters
    ----------
    folder
        Keeps the node's settings and its data.
    archive_port
        Where its archive listens.
    http_port
        Of its pages; 0 is another one at each start.
    viewer
        Whether the host viewer is served, too.
    settings, of_archive
        More lines of the settings file: of the node, and of its archive.
    log
        Where its standard error goes; None: where ours goes.
    """

    def __init__(
        self,
        folder: Path,
        archive_port: int,
        *,
        http_port: int = 0,
        viewer: bool = False,
        settings: str = "",
        of_archive: str = "",
        log: Path | None = None,
    ) -> None:
        self.config = folder / "node.toml"
        self.config.write_text(
            f'data_folder = "{folder / "data"}"\ndimse_port = 0\nhttp_port = {http_port}\n'
            "settle_seconds = 0.5\nretry_first_seconds = 0.2\ncommitment_seconds = 5\n"
            f'{settings}archive = "archive"\n[[peers]]\nname = "archive"\nae_title = "ARCHIVE"\n'
            f"port = {archive_port}\n{of_archive}"
        )
        store = Store(folder / "data")
        store.add_user(USER, "Vreeland^Ida^^Dr", hash_password(PASSWORD), ["reader"])
        store.close()
        self._without = [] if viewer else ["--no-viewer"]
        self._log = log.open("wb") if log else None
        self.printed = ""
        self.process: subprocess.Popen[str] | None = None
        self.address = ""
        self.dimse_port = 0

    def start(self, fault: str = "") -> ReaderClient:
        """Start it, and sign its reader in."""
        command = [sys.executable, "-m", "dicom_service"]
        environment = os.environ | {"SESAMOID_FAULT": fault, "PYTHONUNBUFFERED": "1"}
        self.process = subprocess.Popen(
            [*command, "--config", str(self.config), "serve", *self._without],
            stdout=subprocess.PIPE,
            stderr=self._log,
            text=True,
            env=environment,
        )
        said = self._said("Web:")
        self.printed += said
        self.dimse_port = int(re.search(r"SESAMOID at [\d.]+:(\d+)", said)[1])
        self.address = re.search(r"http://\S+", said)[0]
        client = ReaderClient(self.address)
        client.sign_in(USER, PASSWORD)
        return client

    def _said(self, until: str) -> str:
        """What it prints up to this."""
        said = ""
        late = Timer(START_SECONDS, self.process.kill)
        late.start()
        try:
            while until not in said:
                line = self.process.stdout.readline()
                assert line, f"the node did not start: {said}"
                said += line
        finally:
            late.cancel()
        return said

    def kill(self) -> None:
        """As a power cut does it."""
        self.process.kill()
        assert self.died()

    def died(self, seconds: float = 20) -> bool:
        """Whether it was killed, and did not end by itself."""
        try:
            killed = self.process.wait(seconds) == -signal.SIGKILL
        except subprocess.TimeoutExpired:
            return False
        self.process.stdout.close()
        return killed

    def stop(self) -> None:
        """As an administrator does it; killed when it does not stop."""
        if self.process and self.process.poll() is None:
            self.process.terminate()
            try:
                self.process.wait(20)
            except subprocess.TimeoutExpired:
                self.process.kill()
                self.process.wait(20)
                raise
        if self.process and not self.process.stdout.closed:
            self.printed += self.process.stdout.read()
            self.process.stdout.close()
        if self._log:
            self._log.close()
