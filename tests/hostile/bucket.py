"""kill -9 at named points while the bucket with the objects comes and goes, by seed.

    python -m tests.hostile.bucket --runs 50 [--first 0]

The lives and promises are those of tests/hostile/killing.py. Of the requests to the object store
the seed has some closed, refused, carried out without an answer, or answered without being
carried out. In the end everything on the machine that the bucket has is thrown away.
"""

import argparse
import contextlib
import dataclasses
import functools
import json
import os
import random
import signal
import subprocess
import sys
import tempfile
from collections import Counter
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path

from dicom_service.errors import StoreAway
from dicom_service.store import Store, comparing, faults, spool
from dicom_service.store.bucket import Bucket
from dicom_service.store.elsewhere import Elsewhere, Place
from tests.hostile import invariants, job, killing
from tests.hostile.power import fast
from tests.object_store import ObjectStore, Unreliable

POINTS = (*faults.POINTS[:2], *faults.POINTS[9:], *faults.BUCKET_POINTS)
"""Those that are passed with a bucket: there is no journal then."""
MODES = ("", "", "", "away", "busy", "lost", "lying")


def run(
    seed: int, folder: Path, place: Place, way: Unreliable, careless: str = ""
) -> tuple[list[str], Counter[str]]:
    """All lives of one seed; returns what was broken, and how often each point killed.

    With `careless` the node takes the store's word without looking, and this must find it.
    """
    chosen = random.Random(f"bucket of {seed}")
    _shaken(way, random.Random(f"network of {seed}"))
    plans = [job.Plan(seed, number) for number in range(killing.STUDIES)]
    lines: list[str] = []
    kills: Counter[str] = Counter()
    with _in(place):
        for _ in range(killing.LIVES):
            fault = f"{chosen.choice(POINTS)}:{chosen.randint(1, 3)}"
            status = live(folder, seed, fault, place, lines, careless)
            found = invariants.broken(folder, plans, lines)
            if found:
                return [f"after {fault}: {what}" for what in found], kills
            if status == 0:
                break
            kills[fault.partition(":")[0]] += 1
        way.of, way.mode = (lambda *_: False), ""
        if live(folder, seed, "", place, lines, careless) != 0:
            return ["the last life did not end well"], kills
        return [*_bucket(folder, plans, lines)], kills


def live(
    folder: Path, seed: int, fault: str, place: Place, lines: list[str], careless: str = ""
) -> int:
    """One life in a process of its own; 9: it was killed."""
    told = [str(folder), str(seed), json.dumps(dataclasses.asdict(place) | {"authority": ""})]
    told.append(careless)
    done = subprocess.run(
        [sys.executable, "-m", "tests.hostile.bucket", "--live", *told],
        env={**os.environ, faults.VARIABLE: fault},
        capture_output=True,
        text=True,
        timeout=120,
    )
    lines += done.stdout.splitlines() if done.stdout.endswith("\n") else []
    if done.returncode == -signal.SIGKILL:
        return 9
    assert done.returncode == 0, f"seed {seed}, {fault}: {done.stderr[-3000:]}"
    return 0


def _live(folder: str, seed: str, place: str, careless: str) -> None:
    if careless:
        Bucket.keep = _kept_unseen  # type: ignore[method-assign]
    where = Place(**json.loads(place) | {"authority": b""})
    with _in(where):
        opened: list[Store] = []
        open_one = job.Store

        def kept_open(folder: Path) -> Store:
            opened.append(open_one(folder))
            return opened[-1]

        def say(line: str) -> None:
            print(line, flush=True)
            with contextlib.suppress(StoreAway):  # what can leave the spool does at once
                opened[-1].drain()

        job.Store = kept_open  # type: ignore[misc, assignment]
        job.work(Path(folder), int(seed), say, killing.STUDIES)


def _kept_unseen(self: Bucket, name: str, file: Path, *, perhaps_there: bool = False) -> None:
    self._create(f"blobs/{name}", file.read_bytes(), "")


def _bucket(folder: Path, plans: list[job.Plan], lines: list[str]) -> Iterator[str]:
    """Everything promised is in the bucket, and nothing else is after it was put right."""
    store = invariants.Store(folder)
    try:
        store.drain()
        for part in ("blobs", "cache"):
            for file in (folder / part).rglob("*"):
                if file.is_file():
                    file.unlink()
        comparing.mend(store, comparing.compare(store))
        last = comparing.compare(store)
    finally:
        store.close()
    if last.lost or last.unknown or last.back:
        yield f"bucket and index differ: {last}"
    yield from invariants.broken(folder, plans, lines)
    yield from invariants.unfinished(folder, plans, lines)


def _shaken(way: Unreliable, chosen: random.Random) -> None:
    """Each request about an object meets another fate. Reads do not, which the job would take for
    a loss, nor what is asked at a start, which a store that lies then ends.
    """

    def fate(method: str, path: str) -> bool:
        about = method in ("PUT", "HEAD", "DELETE") and path.count("/blobs/") == 2
        way.mode = chosen.choice(MODES) if about else ""
        return True

    way.of = fate


@contextmanager
def _in(place: Place) -> Iterator[None]:
    """The job and what is checked of it have their objects in a bucket, and no minute to wait."""
    opened: Callable[..., Store] = functools.partial(Store, elsewhere=Elsewhere(place))
    before = spool._STAY_SECONDS, comparing._SETTLED, job.Store, invariants.Store
    spool._STAY_SECONDS = 0.0
    comparing._SETTLED = -comparing._SETTLED
    job.Store = invariants.Store = opened  # type: ignore[misc, assignment]
    try:
        yield
    finally:
        spool._STAY_SECONDS, comparing._SETTLED, job.Store, invariants.Store = before  # type: ignore[misc]


def main() -> int:
    """Run as many seeds as asked; 1 when any is broken."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--runs", type=int, default=20)
    parser.add_argument("--first", type=int, default=0)
    parser.add_argument("--live", nargs=4, help=argparse.SUPPRESS)
    options = parser.parse_args()
    if options.live:
        _live(*options.live)
        return 0
    failed, kills = {}, Counter[str]()
    objects = ObjectStore()
    way = Unreliable(objects.port)
    try:
        for seed in range(options.first, options.first + options.runs):
            with tempfile.TemporaryDirectory(prefix="sesamoid-bucket-", dir=fast()) as folder:
                found, killed = run(seed, Path(folder) / "data", objects.place(way.url), way)
            kills += killed
            if found:
                failed[seed] = found
    finally:
        way.close()
        objects.close()
    for seed, found in failed.items():
        print(f"seed {seed}: {'; '.join(found)}")
    for name in POINTS:
        print(f"{name:<18} killed {kills[name]}")
    print(f"{options.runs} runs, {kills.total()} kills, {len(failed)} broken")
    return 1 if failed else 0


if __name__ == "__main__":
    sys.exit(main())
