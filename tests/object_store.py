"""An S3-compatible object store for tests: the Ceph Object Gateway from Debian's packages.

A real one with one monitor and one storage daemon that keeps everything in memory, its own folder
and ports of the system's choice. `Unreliable` stands before it and does what networks do.
"""

import itertools
import os
import shutil
import socket
import socketserver
import subprocess
import tempfile
import threading
import time
import uuid
from pathlib import Path

import obstore
import pytest
from obstore.store import S3Store

from dicom_service.store.elsewhere import Place
from tests.peers import free_ports

KEY, SECRET = "TESTKEY", "testsecret"
_SETTINGS = """
[global]
fsid = {fsid}
mon host = [v2:127.0.0.1:{v2}/0,v1:127.0.0.1:{v1}/0]
public addr = 127.0.0.1
cluster addr = 127.0.0.1
keyring = {folder}/keyring
run dir = {folder}
admin socket = {folder}/$name.asok
log file = {folder}/$name.log
mon data = {folder}/mon
mon data avail crit = 1
mon allow pool size one = true
paxos propose interval = 0.02
paxos min wait = 0.01
osd data = {folder}/osd
osd objectstore = memstore
osd crush chooseleaf type = 0
osd pool default size = 1
osd pool default min size = 1
osd pool default pg num = 1
osd pool default pgp num = 1
osd pool default pg autoscale mode = off
mon max pg per osd = 1000
rgw data = {folder}/rgw
rgw frontends = beast endpoint=127.0.0.1:{port}
rgw enable usage log = false
rgw thread pool size = 32
"""


class ObjectStore:
    """A running object store with one bucket; `place` gives a part of it that nobody uses."""

    bucket = "blobs"
    key, secret = KEY, SECRET

    def __init__(self) -> None:
        self.folder = Path(tempfile.mkdtemp(prefix="sesamoid-s3-"))
        self._children: list[subprocess.Popen[bytes]] = []
        self._numbers = itertools.count(1)
        v1, v2, self.port = free_ports(3)
        self._fsid = str(uuid.uuid4())
        for name in ("mon", "osd", "rgw"):
            (self.folder / name).mkdir()
        text = _SETTINGS.format(fsid=self._fsid, v1=v1, v2=v2, port=self.port, folder=self.folder)
        (self.folder / "ceph.conf").write_text(text)
        try:
            self._keys()
            self._begin(f"[v2:127.0.0.1:{v2},v1:127.0.0.1:{v1}]")
        except BaseException:
            self.close()
            raise

    @property
    def url(self) -> str:
        """Where it is called."""
        return f"http://127.0.0.1:{self.port}"

    def place(self, endpoint: str = "", seconds: float = 3.0, prefix: str = "") -> Place:
        """A prefix of its own in the bucket."""
        return Place(
            name=self.bucket,
            endpoint=endpoint or self.url,
            prefix=prefix or f"test{next(self._numbers)}/",
            access_key=self.key,
            secret_key=self.secret,
            timeout_seconds=seconds,
        )

    def names(self, place: Place) -> set[str]:
        """What is kept there, past all code of ours."""
        store = S3Store(
            self.bucket,
            endpoint=self.url,
            region="us-east-1",
            access_key_id=self.key,
            secret_access_key=self.secret,
            client_options={"allow_http": True},
        )
        pages = obstore.list(store, prefix=f"{place.prefix}blobs")
        return {meta["path"].rpartition("/")[2] for page in pages for meta in page}

    def close(self) -> None:
        """End it and remove its folder."""
        for child in reversed(self._children):
            child.kill()
            child.wait(20)
        shutil.rmtree(self.folder, ignore_errors=True)

    def _keys(self) -> None:
        ring = self.folder / "keyring"
        self._run("ceph-authtool", "--create-keyring", ring)
        for name in ("mon.", "client.admin", "client.rgw", "osd.0"):
            caps = [part for kind in ("mon", "osd") for part in ("--cap", kind, "allow *")]
            self._run("ceph-authtool", ring, "--gen-key", "-n", name, *caps)

    def _begin(self, monitor: str) -> None:
        settings, ring = ("-c", self.folder / "ceph.conf"), self.folder / "keyring"
        first = self.folder / "monmap"
        self._run("monmaptool", "--create", "--fsid", self._fsid, "--addv", "a", monitor, first)
        self._run("ceph-mon", *settings, "--mkfs", "-i", "a", "--monmap", first, "--keyring", ring)
        self._start("ceph-mon", *settings, "-f", "-i", "a")
        osd = str(uuid.uuid4())
        self._run("ceph", *settings, "auth", "import", "-i", ring)
        self._run("ceph", *settings, "osd", "new", osd)
        self._run("ceph-osd", *settings, "-i", "0", "--mkfs", "--osd-uuid", osd)
        self._start("ceph-osd", *settings, "-f", "-i", "0")
        user = ("--uid", "test", "--display-name", "test", "--access-key", KEY, "--secret", SECRET)
        self._run("radosgw-admin", *settings, "-n", "client.rgw", "user", "create", *user)
        self._start("radosgw", *settings, "-f", "-n", "client.rgw")
        self._make_bucket()

    def _make_bucket(self) -> None:
        import boto3
        from botocore.config import Config
        from botocore.exceptions import BotoCoreError

        client = boto3.client(
            "s3",
            endpoint_url=self.url,
            region_name="us-east-1",
            aws_access_key_id=self.key,
            aws_secret_access_key=self.secret,
            config=Config(retries={"max_attempts": 1}, connect_timeout=2, read_timeout=20),
        )
        until = time.monotonic() + 40
        while True:
            try:
                client.create_bucket(Bucket=self.bucket)
            except BotoCoreError:
                if time.monotonic() > until or self._children[-1].poll() is not None:
                    pytest.fail(self._said())
                time.sleep(0.05)
            else:
                break
        # Its first object takes longer than all others: pools are made for them.
        client.put_object(Bucket=self.bucket, Key="first", Body=b"")
        client.close()

    def _run(self, program: str, *words: object) -> None:
        command = [program, *map(str, words)]
        try:
            done = subprocess.run(command, capture_output=True, text=True, timeout=60, cwd="/")
        except FileNotFoundError:
            pytest.fail(f"{program} is not installed; 'bash tests/run' names the packages")
        assert done.returncode == 0, f"{command}: {done.stderr[-2000:]}\n{self._said()}"

    def _start(self, *command: object) -> None:
        # The signal ends it with a test run that is killed.
        whole = ["setpriv", "--pdeathsig", "KILL", "--", *map(str, command)]
        with (self.folder / f"{command[0]}.out").open("ab") as said:
            child = subprocess.Popen(
                whole, stdin=subprocess.DEVNULL, stdout=said, stderr=said, cwd="/"
            )
        self._children.append(child)

    def _said(self) -> str:
        files = sorted([*self.folder.glob("*.out"), *self.folder.glob("*.log")])
        return "\n".join(file.read_text(errors="replace")[-1000:] for file in files)


class Unreliable:
    """Stands between a node and an object store, as a network does.

    `mode` says what becomes of a request that `of` is true for: "" it goes through, "away" the
    connection is closed, "slow" nothing is answered, "lost" it is carried out and the answer is
    not given, "lying" it is said to be done and is not, "cut" half of the answer's body comes,
    "denied", "busy" and "unable" the store says 403, 503 and 501.
    """

    def __init__(self, port: int) -> None:
        self.mode = ""
        self.of = lambda method, path: True
        self.seen: list[tuple[str, str]] = []
        self._to = port
        self._ending = threading.Event()
        outer = self

        class Handler(socketserver.StreamRequestHandler):
            timeout = 30

            def handle(self) -> None:
                while outer.one(self.rfile, self.wfile):
                    pass

        class Server(socketserver.ThreadingTCPServer):
            allow_reuse_address = daemon_threads = True
            block_on_close = False

            def handle_error(self, *_: object) -> None:
                pass  # whoever called has hung up

        self._server = Server(("127.0.0.1", 0), Handler)
        self.url = f"http://127.0.0.1:{self._server.server_address[1]}"
        self._thread = threading.Thread(
            target=self._server.serve_forever, args=(0.02,), daemon=True
        )
        self._thread.start()

    def one(self, asked, answered) -> bool:
        """One request; False: the connection is done with."""
        head = _head(asked)
        if not head:
            return False
        method, path = head.split(b"\r\n")[0].decode().split()[:2]
        body = asked.read(_length(head))
        self.seen.append((method, path))
        meant = self.of(method, path)
        mode = self.mode if meant else ""
        if mode == "away":
            return False
        if mode == "slow":
            self._ending.wait(10)
            return False
        if mode in _ANSWERS:
            said, end, data = _ANSWERS[mode].partition(b"\r\n\r\n")
            answered.write(said + end + (b"" if method == "HEAD" else data))
            return True
        with socket.create_connection(("127.0.0.1", self._to), 20) as store:
            store.sendall(head + body)
            with store.makefile("rb") as came:
                said = _head(came)
                if mode == "lost" or not said:
                    return False
                bodiless = method == "HEAD" or b" 204 " in said[:20]
                data = b"" if bodiless else _body(came, said)
        answered.write(said + (data[: len(data) // 2] if mode == "cut" else data))
        return mode != "cut"

    def close(self) -> None:
        """Stop."""
        self._ending.set()
        self._server.shutdown()
        self._server.server_close()
        self._thread.join(10)


_ANSWERS = {
    "denied": b"HTTP/1.1 403 Forbidden\r\nContent-Length: 40\r\n\r\n"
    b"<Error><Code>AccessDenied</Code></Error>",
    "unable": b"HTTP/1.1 501 Not Implemented\r\nContent-Length: 42\r\n\r\n"
    b"<Error><Code>NotImplemented</Code></Error>",
    "busy": b"HTTP/1.1 503 Slow Down\r\nContent-Length: 0\r\n\r\n",
    "lying": b'HTTP/1.1 200 OK\r\nETag: "0"\r\nContent-Length: 0\r\n\r\n',
}


def _head(stream) -> bytes:
    lines = []
    while (line := stream.readline(65536)) not in (b"\r\n", b""):
        lines.append(line)
    return b"".join(lines) + b"\r\n" if lines else b""


def _body(stream, head: bytes) -> bytes:
    if b"transfer-encoding: chunked" not in head.lower():
        return stream.read(_length(head))
    parts = []
    while True:
        parts.append(line := stream.readline())
        parts.append(stream.read(int(line, 16) + 2))
        if int(line, 16) == 0:
            return b"".join(parts)


def _length(head: bytes) -> int:
    for line in head.lower().split(b"\r\n"):
        if line.startswith(b"content-length:"):
            return int(line.partition(b":")[2])
    return 0


if __name__ == "__main__":  # to try things out by hand
    began = time.monotonic()
    running = ObjectStore()
    print(running.url, KEY, SECRET, f"{time.monotonic() - began:.1f} s", os.getpid(), flush=True)
    try:
        input()
    finally:
        running.close()
