"""`sesamoid serve` as an administrator meets it: wrong settings, and peers read again by SIGHUP."""

import os
import signal
import subprocess
import sys

import pytest
from pynetdicom import AE

from dicom_service.cli.main import main
from dicom_service.store import Store

START = [sys.executable, "-m", "dicom_service", "--config"]
PORTS = "dimse_port = 0\nhttp_port = 0\npeers_only = true\n"


def peer(name: str, title: str) -> str:
    return f'[[peers]]\nname = "{name}"\nae_title = "{title}"\nport = 104\n'


def welcome(port: int, title: str) -> bool:
    entity = AE(title)
    entity.add_requested_context("1.2.840.10008.1.1")
    association = entity.associate("127.0.0.1", port, ae_title="SESAMOID")
    association.release()
    return bool(association.is_released)


def test_peers_of_the_settings_file_are_read_again_while_the_node_runs(tmp_path):
    file = tmp_path / "sesamoid.toml"
    file.write_text(PORTS + peer("camera", "ROOM1"))
    command = [*START, str(file), "--data", str(tmp_path / "data"), "serve", "--no-viewer"]
    with subprocess.Popen(
        command, stdout=subprocess.PIPE, stderr=subprocess.DEVNULL, text=True,
        env=os.environ | {"PYTHONUNBUFFERED": "1"},
    ) as node:  # fmt: skip
        port = int(node.stdout.readline().rsplit(":", 1)[1])

        def said(part: str) -> str:
            return next(line for line in node.stdout if part in line)

        said("No archive is set")
        assert (welcome(port, "ROOM1"), welcome(port, "ROOM2")) == (True, False)
        file.write_text(PORTS + 'session_hours = 2\narchive = "pacs"\n' + peer("pacs", "ROOM2"))
        node.send_signal(signal.SIGHUP)
        assert said("Peers now") == "Peers now: pacs.\n"
        assert "after the next start: session_hours" in said("Changed as well")
        assert (welcome(port, "ROOM1"), welcome(port, "ROOM2")) == (False, True)
        file.write_text(PORTS + peer("pacs", "A TITLE THAT IS TOO LONG"))
        node.send_signal(signal.SIGHUP)
        assert "'ae_title' of [[peers]] block 1 (pacs)" in said("not read again")
        assert welcome(port, "ROOM2")
        node.send_signal(signal.SIGTERM)
        assert node.wait(20) == 0
    store = Store(tmp_path / "data")
    assert [r.detail for r in store.audit_rows(text="settings read again")] == ["pacs"]
    store.close()


STRAY = """
import os, signal, threading, time
from dicom_service.cli.told import Told
told = Told([signal.SIGHUP, signal.SIGTERM])
def stray():
    time.sleep(0.3)
    for number in (signal.SIGHUP, signal.SIGTERM):
        signal.pthread_kill(threading.get_ident(), number)
threading.Thread(target=stray).start()
print(told.next(), told.next(3600), told.next(0.01))
"""


def test_a_signal_that_another_thread_was_given_is_heard_all_the_same():
    done = subprocess.run(
        [sys.executable, "-c", STRAY], capture_output=True, text=True, timeout=60, check=True
    )
    assert done.stdout.split() == [str(int(signal.SIGHUP)), str(int(signal.SIGTERM)), "None"]


@pytest.mark.parametrize(
    ("text", "sentence"),
    [
        ('data_folder = "/proc/nowhere"', "The data folder /proc/nowhere cannot be used"),
        ('anatomy_folder = "/nowhere"', "The anatomy folder /nowhere does not exist"),
        ('http_host = "192.0.2.1"', "Set an address of this machine"),
        ('audit_syslog = "banana"', "write udp://, tcp:// or tls:// and the host"),
        ('http_tls_certificate = "/nowhere.pem"', "/nowhere.pem (http_tls_certificate)"),
        ("[tls]\nlisten = true", "TLS needs the setting 'certificate' in [tls]"),
    ],
)
def test_a_node_that_cannot_start_says_why_in_one_sentence(tmp_path, capsys, text, sentence):
    file = tmp_path / "sesamoid.toml"
    folder = "" if "data_folder" in text else f'data_folder = "{tmp_path}/data"\n'
    file.write_text(f"dimse_port = 0\nhttp_port = 0\n{folder}{text}\n")
    assert main(["--config", str(file), "serve", "--no-viewer"]) == 1
    said = capsys.readouterr().err
    assert said.startswith("sesamoid: ")
    assert sentence in said
    assert len(said.splitlines()) == 1
