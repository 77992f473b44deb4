"""What 1, 2 and 4 workers of each role do, beside one process that does everything.

    python -m tests.benchmarks.workers --workers 0 1 2 4 --json workers.json

0 is the embedded default: one process, its index in a file. The others are receivers, settlers,
senders and web workers as processes of their own over one PostgreSQL, which syncs every commit,
behind HAProxy. All of it, the senders and readers of the benchmark and the archive (DCMTK's
storescp, which writes nothing) share this machine. One kind of work is asked for at a time, by
eight callers without a pause, so that each role has the machine for itself.
"""

import argparse
import contextlib
import json
import os
import shutil
import statistics
import tempfile
import threading
import time
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import Any

from dicom_service.review.model import Reading, Template
from dicom_service.store import Store
from test_pacs.reader import ReaderClient, normal_reading
from test_pacs.sending import send
from test_pacs.studies import small_study
from tests.benchmarks.sender import Association, Prepared, _store_pdus
from tests.benchmarks.worker_group import PASSWORD, SETTLE_SECONDS, Group
from tests.peers import free_port, started

CALLERS = 8
IMAGES = 4
"""Of a study of the receiving part."""
LONGEST = 180.0
"""Seconds after which work that is not done is a failure that says so."""
SIZES = {"receive 60 kB": (60_000, 800), "receive 15 MB": (15_000_000, 32)}
Figures = dict[str, float]


def figures(count: int, seconds: float, taken: Sequence[float]) -> Figures:
    """Pieces of work a second, and how long one took, in ms."""
    cuts = statistics.quantiles([1000 * one for one in taken], n=20, method="inclusive")
    return {
        "a second": round(count / seconds, 2),
        "p50": round(cuts[9], 1),
        "p95": round(cuts[18], 1),
        "count": count,
    }


def together(work: Sequence[Callable[[list[float]], None]]) -> Figures:
    """Let callers work at the same time; each notes how long a piece took."""
    taken: list[list[float]] = [[] for _ in work]
    troubles: list[Exception] = []

    def run(one: Callable[[list[float]], None], times: list[float]) -> None:
        try:
            one(times)
        except Exception as trouble:  # noqa: BLE001 - told below, by whoever waits
            troubles.append(trouble)

    threads = [
        threading.Thread(target=run, args=pair, daemon=True)
        for pair in zip(work, taken, strict=True)
    ]
    began = time.perf_counter()
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join(LONGEST)
    if troubles:
        raise troubles[0]
    whole = [one for times in taken for one in times]
    return figures(len(whole), time.perf_counter() - began, whole)


def receiving(port: int, size: int, count: int, first: int) -> Figures:
    """New studies of four images, over eight associations at once."""
    most = Association(port, no_delay=True)
    most.release()
    each = count // CALLERS
    studies = [
        [
            Prepared(_store_pdus(size, b"1.2.826.0.1.3680043.9.8.%d.%d.%d" % place, most.most))
            for place in ((first, part, study) for study in range(-(-each // IMAGES)))
        ]
        for part in range(CALLERS)
    ]

    def caller(part: int, times: list[float]) -> None:
        association = Association(port, no_delay=True)
        for number in range(each):
            since = time.perf_counter()
            association.store(studies[part][number // IMAGES], first + part * each + number)
            times.append(time.perf_counter() - since)
        association.release()

    return together([lambda times, part=part: caller(part, times) for part in range(CALLERS)])  # type: ignore[misc]


def settling(group: Group, store: Store, count: int) -> tuple[list[str], Figures]:
    """Studies that all come at once; how long after its quiet each has its template."""
    made = [small_study() for _ in range(count)]
    due: list[float] = []
    for part in range(0, count, CALLERS):
        send([image for study in made[part : part + CALLERS] for image in study],
            group.port, "SESAMOID")  # fmt: skip
        due += [time.perf_counter() + SETTLE_SECONDS] * len(made[part : part + CALLERS])
    ready: list[float] = []
    while len(ready) < count:
        now = time.perf_counter()
        ready += [now] * (store.count_studies(states=("waiting",)) - len(ready))
        if now > due[-1] + LONGEST:
            raise RuntimeError(f"{len(ready)} of {count} studies were prepared")
        time.sleep(0.02)
    taken = [max(done - at, 0.0) for done, at in zip(ready, due, strict=True)]
    uids = [str(study[0].StudyInstanceUID) for study in made]
    return uids, figures(count, ready[-1] - due[0], taken)


class Desk:
    """A reader who goes through their studies, and what they have opened."""

    def __init__(self, reader: ReaderClient, studies: Sequence[str]) -> None:
        self._reader, self._studies = reader, studies
        self._opened: dict[str, Any] = {}

    def look(self, times: list[float]) -> None:
        """Look at the list."""
        for _ in range(30):
            _timed(times, self._reader.studies)

    def open(self, times: list[float]) -> None:
        """Open each study."""
        for uid in self._studies:
            self._opened[uid] = _timed(times, self._reader.open, uid)

    def save(self, times: list[float]) -> None:
        """Save each five times, everything normal."""
        for uid, now in self._opened.items():
            template = Template.model_validate(now["template"])
            said = normal_reading(template, Reading.model_validate(now["reading"]))
            for _ in range(5):
                saved = _timed(times, self._reader.save, uid, now["version"], said)
                now["version"] = saved["version"]

    def sign(self, times: list[float]) -> None:
        """Sign each."""
        for uid, now in self._opened.items():
            _timed(times, self._reader.sign, uid, now["version"], PASSWORD)


def reading(people: Sequence[ReaderClient], studies: Sequence[str]) -> dict[str, Figures]:
    """The list, opening, saving and signing, each by eight readers without a pause."""
    desks = [Desk(one, studies[part::CALLERS]) for part, one in enumerate(people)]
    return {
        name: together([getattr(desk, name) for desk in desks])
        for name in ("look", "open", "save", "sign")
    }


def _timed(times: list[float], work: Callable[..., Any], *given: object) -> Any:
    since = time.perf_counter()
    done = work(*given)
    times.append(time.perf_counter() - since)
    return done


def sending(group: Group, store: Store, folder: Path, archive: int) -> Figures:
    """Documents that waited for the archive; how long after the word each is there."""
    folder.mkdir()
    command = [shutil.which("storescp") or "storescp", "--ignore", "-aet", "ARCHIVE", "+xa"]
    with started([*command, "--fork", str(archive)], archive, folder):
        admin = ReaderClient(group.address)
        admin.sign_in("admin", PASSWORD)
        count = store.count_owed(("owed",))
        since = time.perf_counter()
        admin.request("POST", "api/admin/outbox/retry", {"ids": []})
        taken: list[float] = []
        while len(taken) < count:
            now = time.perf_counter()
            taken += [now - since] * (count - store.count_owed(("owed",)) - len(taken))
            if now > since + LONGEST:
                raise RuntimeError(f"{len(taken)} of {count} documents were sent")
            time.sleep(0.02)
    return figures(count, taken[-1], taken)


def measure(folder: Path, workers: int, studies: int) -> dict[str, Figures]:
    """All kinds of work, by one group of processes."""
    archive = free_port()
    with Group(folder, workers, archive, CALLERS) as group:
        people = [ReaderClient(group.address) for _ in range(CALLERS)]
        for number, reader in enumerate(people):
            reader.sign_in(f"reader{number}", PASSWORD)
        with contextlib.closing(group.open()) as store:
            uids, prepared = settling(group, store, studies)
            found = {"prepare": prepared} | reading(people, uids)
            found["deliver"] = sending(group, store, folder / "archive", archive)
        for number, (name, (size, count)) in enumerate(SIZES.items(), 1):
            found[name] = receiving(group.port, size, count, number * 1_000_000)
    return found


def main() -> None:
    """Measure, print a table, and write JSON when asked."""
    parser = argparse.ArgumentParser(description=(__doc__ or "").split("\n", maxsplit=1)[0])
    parser.add_argument("--workers", type=int, nargs="+", default=[0, 1, 2, 4])
    parser.add_argument("--studies", type=int, default=48)
    parser.add_argument("--json", type=Path)
    options = parser.parse_args()
    load = os.getloadavg()[0]
    found = {}
    for workers in options.workers:
        with tempfile.TemporaryDirectory(prefix="sesamoid-") as folder:
            found[workers] = measure(Path(folder) / "group", workers, options.studies)
        print(f"{workers or 'one process'}: {json.dumps(found[workers])}", flush=True)
    heads = [str(n) if n else "one process" for n in found]
    print("| work | " + " | ".join(heads) + " |\n|---" + "|---" * len(heads) + "|")
    for name in next(iter(found.values())):
        cells = [
            f"{one[name]['a second']} · {one[name]['p50']} / {one[name]['p95']}"
            for one in found.values()
        ]
        print(f"| {name} | " + " | ".join(cells) + " |")
    print(
        f"{os.cpu_count()} cores, load average {load:.1f} before and {os.getloadavg()[0]:.1f} after"
    )
    if options.json:
        options.json.write_text(json.dumps(found, indent=1) + "\n")


if __name__ == "__main__":
    main()
