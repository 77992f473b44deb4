"""How long readers wait when many read at once; see docs/performance.md.

    python -m tests.benchmarks.readers --readers 50 --seconds 20 --json result.json

One node, in a process of its own, with an invented study for each reader. Each reader asks for
the list, opens a study and saves it, over HTTP with a session and a connection of their own as
a browser has, and thinks in between. Before that: the first image of a study by a reader who has
just come, from the list to the last byte of the pixels, over a node that has just been started,
whose files are no longer in the system's cache.
"""

import argparse
import http.client
import json
import multiprocessing
import os
import random
import statistics
import tempfile
import threading
import time
import urllib.parse
from collections import defaultdict
from contextlib import suppress
from multiprocessing.connection import Connection
from pathlib import Path
from typing import Any

from dicom_service.passwords import hash_password
from dicom_service.service import Service
from dicom_service.settings import Settings
from test_pacs.sending import send
from test_pacs.studies import small_study

_PASSWORD = "an invented pass phrase"
_IMAGE = "multipart/related; type=application/octet-stream; transfer-syntax=*"
_LARGE = (3000, 2500)
"""Rows and columns of the images of the first study: 15 MB each, as a detector makes them."""
Times = dict[str, list[float]]
START_SECONDS = 60.0
STOP_SECONDS = 30.0
PREPARE_SECONDS = 300.0
"""Longer than these nothing is waited for: a node that hangs is a failure that says so."""


def serve(folder: Path, readers: int, pipe: Connection) -> None:
    """A node until it is told to stop; says where it listens."""
    settings = Settings(data_folder=folder, dimse_port=0, http_port=0, settle_seconds=0.5)
    with Service(settings) as service:
        known, hashed = service.store.user("reader0"), hash_password(_PASSWORD)
        for number in range(0 if known else readers):
            service.store.add_user(f"reader{number}", f"Reader^{number}", hashed, ["reader"])
        pipe.send((service.address, service.dimse_port, settings.ae_title))
        with suppress(EOFError):  # Who asked for it may have gone without a word.
            pipe.recv()


class Node:
    """The node in a process of its own."""

    def __init__(self, folder: Path, readers: int) -> None:
        self._pipe, theirs = multiprocessing.Pipe()
        arguments = (folder, readers, theirs)
        spawned = multiprocessing.get_context("spawn")
        self._process = spawned.Process(target=serve, args=arguments, daemon=True)
        self._process.start()
        theirs.close()  # Else the end of the child would not be seen here.
        self.address, self.port, self.title = self._told()

    def _told(self) -> tuple[str, int, str]:
        """Where it listens."""
        if self._pipe.poll(START_SECONDS):
            with suppress(EOFError):
                address, port, title = self._pipe.recv()
                return address, port, title
        self._process.join(1)
        ended = self._process.exitcode
        self._kill()
        why = f"no word in {START_SECONDS:.0f} s" if ended is None else f"it ended with {ended}"
        raise RuntimeError(f"The node did not start: {why}. What it says of it stands above.")

    def _kill(self) -> None:
        self._process.kill()
        self._process.join(STOP_SECONDS)

    def stop(self) -> None:
        """Stop it, and wait until it has."""
        with suppress(BrokenPipeError):
            self._pipe.send(None)
        self._process.join(STOP_SECONDS)
        if self._process.exitcode is None:
            self._kill()
            raise RuntimeError(f"The node did not stop within {STOP_SECONDS:.0f} s and was killed.")


class Reader:
    """One person's browser: a connection that stays open, a cookie, a token."""

    def __init__(self, address: str, name: str) -> None:
        place = urllib.parse.urlsplit(address)
        self._connection = http.client.HTTPConnection(str(place.hostname), place.port, timeout=60)
        self._headers = {"Content-Type": "application/json"}
        self._sign_in(name)

    def _sign_in(self, name: str) -> None:
        body = {"user": name, "password": _PASSWORD}
        answer, data = self._ask("POST", "/api/session", body)
        self._headers["Cookie"] = str(answer.getheader("Set-Cookie")).partition(";")[0]
        self._headers["X-Sesamoid-Token"] = json.loads(data)["csrf"]

    def _ask(
        self, method: str, path: str, body: object = None, **more: str
    ) -> tuple[http.client.HTTPResponse, bytes]:
        data = None if body is None else json.dumps(body)
        self._connection.request(method, path, data, self._headers | more)
        answer = self._connection.getresponse()
        content = answer.read()
        if answer.status >= 400:
            raise RuntimeError(f"{method} {path}: {answer.status} {content[:300]!r}")
        return answer, content

    def list(self) -> list[dict[str, Any]]:
        """The first page of the reading list."""
        return list(json.loads(self._ask("GET", "/api/studies?limit=50")[1])["studies"])

    def open(self, study: str) -> dict[str, Any]:
        """What the panel shows of a study."""
        return dict(json.loads(self._ask("GET", f"/api/studies/{study}/reading")[1]))

    def save(self, study: str, opened: dict[str, Any]) -> None:
        """Save what was opened, with a word more."""
        reading = opened["reading"] | {"impression": f"Seen {random.random()}."}
        version = {"If-Match": f'"{opened["version"]}"'}
        self._ask("PUT", f"/api/studies/{study}/reading", reading, **version)

    def first_image(self, study: str) -> int:
        """Bytes of the first image, found as the viewer finds it."""
        series = json.loads(self._ask("GET", f"/dicomweb/studies/{study}/series")[1])
        place = f"/dicomweb/studies/{study}/series/{series[0]['0020000E']['Value'][0]}"
        metadata = json.loads(self._ask("GET", f"{place}/metadata")[1])
        image = metadata[0]["00080018"]["Value"][0]
        return len(self._ask("GET", f"{place}/instances/{image}/frames/1", Accept=_IMAGE)[1])


def work(reader: Reader, study: str, until: float, think: float, times: Times) -> None:
    """List, open, save, think; again and again."""
    while time.perf_counter() < until:
        time.sleep(think * random.random())
        since = time.perf_counter()
        reader.list()
        times["list"].append(time.perf_counter() - since)
        since = time.perf_counter()
        opened = reader.open(study)
        times["open"].append(time.perf_counter() - since)
        since = time.perf_counter()
        reader.save(study, opened)
        times["save"].append(time.perf_counter() - since)


def await_studies(reader: Reader, count: int) -> None:
    """Wait until so many studies are there to be read."""
    until = time.monotonic() + PREPARE_SECONDS
    while sum(row["state"] == "waiting" for row in reader.list()) < count:
        if time.monotonic() > until:
            raise RuntimeError(f"The studies were not prepared within {PREPARE_SECONDS:.0f} s.")
        time.sleep(0.5)


def _prepared(node: Node, readers: int) -> list[str]:
    studies = [small_study() for _ in range(readers)]
    for image in studies[0]:
        image.Rows, image.Columns = _LARGE
        image.PixelData = random.Random(1).randbytes(2 * _LARGE[0] * _LARGE[1])
    send([image for study in studies for image in study], node.port, node.title)
    reader = Reader(node.address, "reader0")
    await_studies(reader, min(readers, 50))
    time.sleep(1.0)
    return [str(study[0].StudyInstanceUID) for study in studies]


def forget(folder: Path) -> None:
    """Have the system drop what it keeps in memory of these files."""
    for file in folder.rglob("*"):
        if file.is_file():
            with file.open("rb") as opened:
                os.fsync(opened.fileno())
                os.posix_fadvise(opened.fileno(), 0, 0, os.POSIX_FADV_DONTNEED)


def measure(folder: Path, readers: int, seconds: float, think: float) -> dict[str, Any]:
    """Times in ms."""
    node = Node(folder, readers)
    studies = _prepared(node, readers)
    node.stop()
    forget(folder)
    node = Node(folder, readers)
    newcomer = Reader(node.address, "reader0")
    since = time.perf_counter()
    newcomer.list()
    newcomer.open(studies[0])
    size = newcomer.first_image(studies[0])
    first = 1000 * (time.perf_counter() - since)
    people = [Reader(node.address, f"reader{number}") for number in range(readers)]
    times: Times = defaultdict(list)
    until = time.perf_counter() + seconds
    threads = [
        threading.Thread(target=work, args=(person, study, until, think, times), daemon=True)
        for person, study in zip(people, studies, strict=True)
    ]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join(seconds + STOP_SECONDS)
    node.stop()
    found: dict[str, Any] = {"first image": {"ms": round(first, 1), "bytes": size}}
    for name, taken in times.items():
        cuts = statistics.quantiles([1000 * one for one in taken], n=20)
        found[name] = {"p50": round(cuts[9], 1), "p95": round(cuts[18], 1), "asked": len(taken)}
    return found


def main() -> None:
    """Measure and print."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--readers", type=int, default=50)
    parser.add_argument("--seconds", type=float, default=20.0)
    parser.add_argument("--think", type=float, default=10.0, help="at most so long, evenly spread")
    parser.add_argument("--json", type=Path)
    options = parser.parse_args()
    with tempfile.TemporaryDirectory() as folder:
        found = measure(Path(folder), options.readers, options.seconds, options.think)
    for name, figures in found.items():
        print(f"{name:12}" + "  ".join(f"{key} {value}" for key, value in figures.items()))
    if options.json:
        options.json.write_text(json.dumps(found, indent=1))


if __name__ == "__main__":
    main()
