"""The audit trail to Debian's syslog server: what it wrote down is what was in the trail.

rsyslog (`apt install rsyslog rsyslog-gnutls`) is not one of the packages that the tests ask for.
"""

import datetime as dt
import shutil
import socket
import subprocess
from collections.abc import Callable, Iterator
from pathlib import Path
from xml.etree import ElementTree

import pytest

from dicom_service.audit import Forwarder
from dicom_service.errors import PeerAway
from dicom_service.settings import Settings
from dicom_service.store import Store
from tests.certificates import write_certificate
from tests.node.conftest import wait_for

PROGRAM = shutil.which("rsyslogd", path="/usr/sbin:/usr/local/sbin:/usr/bin")
pytestmark = [
    pytest.mark.long,
    pytest.mark.skipif(PROGRAM is None, reason="rsyslog is not installed"),
]
AT = dt.datetime(2026, 3, 1, 12, tzinfo=dt.UTC)
_INPUTS = {
    "udp": 'module(load="imudp") input(type="imudp" address="127.0.0.1" port="{port}")',
    "tcp": 'module(load="imtcp") input(type="imtcp" address="127.0.0.1" port="{port}")',
    "tls": 'module(load="imtcp" streamDriver.name="gtls" streamDriver.mode="1" '
    'streamDriver.authMode="anon") input(type="imtcp" address="127.0.0.1" port="{port}")',
}
# Events can be longer than the 8 KiB that rsyslog takes by default.
_SETTINGS = """
global(maxMessageSize="64k" workDirectory="{folder}" {papers})
{input}
template(name="whole" type="string" string="%app-name%|%msgid%|%pri%|%msg%\\n")
action(type="omfile" file="{folder}/log" template="whole" flushOnTXEnd="on")
"""


class Rsyslog:
    """A server with a folder of its own."""

    def __init__(self, folder: Path, kind: str) -> None:
        kinds = {"udp": socket.SOCK_DGRAM}
        with socket.socket(socket.AF_INET, kinds.get(kind, socket.SOCK_STREAM)) as probe:
            probe.bind(("127.0.0.1", 0))
            self.port = probe.getsockname()[1]
        self.kind, self.folder = kind, folder
        folder.mkdir()
        self.certificate, key = write_certificate(folder)
        papers = (
            f'defaultNetstreamDriverCAFile="{self.certificate}" '
            f'defaultNetstreamDriverCertFile="{self.certificate}" '
            f'defaultNetstreamDriverKeyFile="{key}"'
        )
        (folder / "conf").write_text(
            _SETTINGS.format(
                folder=folder,
                papers=papers if kind == "tls" else "",
                input=_INPUTS[kind].format(port=self.port),
            )
        )
        self.start()

    @property
    def settings(self) -> Settings:
        authority = str(self.certificate) if self.kind == "tls" else ""
        address = f"{self.kind}://127.0.0.1:{self.port}"
        return Settings(audit_syslog=address, audit_syslog_ca=authority)

    def start(self) -> None:
        assert PROGRAM is not None
        command = [PROGRAM, "-n", "-f", f"{self.folder}/conf", "-i", f"{self.folder}/pid"]
        with (self.folder / "said").open("ab") as said:
            self.process = subprocess.Popen(command, stdout=said, stderr=said)
        wait_for(self._listens)

    def _listens(self) -> bool:
        assert self.process.poll() is None, (self.folder / "said").read_text()
        wanted = f"0100007F:{self.port:04X}"
        table = Path(f"/proc/net/{'udp' if self.kind == 'udp' else 'tcp'}").read_text()
        return wanted in table

    def stop(self) -> None:
        self.process.terminate()
        self.process.wait(10)

    def lines(self) -> list[str]:
        log = self.folder / "log"
        return log.read_text("utf-8").splitlines() if log.exists() else []


@pytest.fixture
def server(tmp_path: Path) -> Iterator[Callable[[str], Rsyslog]]:
    made: list[Rsyslog] = []

    def start(kind: str) -> Rsyslog:
        made.append(Rsyslog(tmp_path / "rsyslog", kind))
        return made[-1]

    yield start
    for one in made:
        one.stop()


@pytest.fixture
def store(tmp_path: Path) -> Iterator[Store]:
    store = Store(tmp_path / "data")
    yield store
    store.close()


def _noted(store: Store, first: int, count: int) -> None:
    for number in range(first, first + count):
        # Letters beyond ASCII, and more than rsyslog's default length.
        detail = f"Zürich {number} " + "ä" * (6000 if number % 10 == 0 else 3)
        store.audit("study opened", user="ida", detail=detail, at=AT)


def _numbers(lines: list[str]) -> list[int]:
    """The events in what the server wrote, each whole."""
    found = []
    for line in lines:
        name, kind, priority, message = line.split("|", 3)
        assert (name, kind, priority) == ("sesamoid", "DICOM+RFC3881", "85")
        root = ElementTree.fromstring(message.lstrip(" \ufeff"))
        assert root.find("EventIdentification/EventID").get("csd-code") == "110103"
        found.append(int(message.split("Zürich ")[1].split()[0]))
    return found


@pytest.mark.parametrize("kind", ["udp", "tcp", "tls"])
def test_every_event_is_written_down_once_whole_and_in_order(server, store, kind):
    syslog = server(kind)
    forwarder = Forwarder(syslog.settings, store)
    _noted(store, 0, 60)
    assert forwarder.forward() == 60
    wait_for(lambda: len(syslog.lines()) >= 60)
    forwarder.stop()
    assert _numbers(syslog.lines()) == list(range(60))


@pytest.mark.parametrize("kind", ["tcp", "tls"])
def test_what_happens_while_the_server_is_away_is_written_down_when_it_is_back(server, store, kind):
    syslog = server(kind)
    forwarder = Forwarder(syslog.settings, store)
    _noted(store, 0, 5)
    forwarder.forward()
    wait_for(lambda: len(syslog.lines()) >= 5)
    syslog.stop()
    _noted(store, 5, 5)
    with pytest.raises(PeerAway):
        forwarder.forward()
    syslog.start()
    assert forwarder.forward() == 5
    wait_for(lambda: len(syslog.lines()) >= 10)
    forwarder.stop()
    assert _numbers(syslog.lines()) == list(range(10))
