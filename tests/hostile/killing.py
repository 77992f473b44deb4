"""kill -9 at every named point, again and again on the same folder, by seed.

    python -m tests.hostile.killing --runs 1000 [--first 0] [--point accept.renamed]

Each run is one seed: lives of a process that each end at a point the seed chooses, and a last
one that must finish the job. Between two lives the promises made so far are checked.
"""

import argparse
import os
import random
import signal
import sys
import tempfile
import traceback
from collections import Counter
from pathlib import Path

from dicom_service.store import faults
from tests.hostile.invariants import broken, unfinished
from tests.hostile.job import Plan, work
from tests.hostile.power import fast

LIVES = 4
_OFTEN = {
    "accept.renamed": 3,
    "accept.committed": 3,
    "save.before": 9,
    "save.committed": 9,
    "journal.settled": 1,
    "journal.freed": 1,
}
"""How many times a point is passed in one life, about; the others at least twice."""
STUDIES = 3


def run(seed: int, folder: Path, point: str = "") -> tuple[list[str], Counter[str]]:
    """All lives of one seed; returns what was broken, and how often each point killed."""
    chosen = random.Random(f"kills of {seed}")
    plans = [Plan(seed, number) for number in range(STUDIES)]
    lines: list[str] = []
    kills: Counter[str] = Counter()
    for _ in range(LIVES):
        name = point or chosen.choice(faults.POINTS)
        fault = f"{name}:{chosen.randint(1, _OFTEN.get(name, 2))}"
        status = live(folder, seed, fault, lines)
        found = broken(folder, plans, lines)
        if found:
            return [f"after {fault}: {what}" for what in found], kills
        if status == 0:
            break
        kills[name] += 1
    if live(folder, seed, "", lines) != 0:
        return ["the last life did not end well"], kills
    return broken(folder, plans, lines) + unfinished(folder, plans, lines), kills


def live(folder: Path, seed: int, fault: str, lines: list[str]) -> int:
    """One life in a process of its own; what it tells is appended to `lines`."""
    reading, writing = os.pipe()
    child = os.fork()
    if child == 0:
        _live(folder, seed, fault, writing)
    os.close(writing)
    with os.fdopen(reading, encoding="ascii") as heard:
        lines += [line.strip() for line in heard if line.endswith("\n")]
    _, status = os.waitpid(child, 0)
    if os.WIFSIGNALED(status) and os.WTERMSIG(status) == signal.SIGKILL:
        return 9
    assert os.waitstatus_to_exitcode(status) == 0, f"seed {seed}, {fault}: see the trace above"
    return 0


def _live(folder: Path, seed: int, fault: str, writing: int) -> None:
    code = 1
    try:
        os.environ[faults.VARIABLE] = fault
        faults._reached.clear()
        work(folder, seed, lambda line: os.write(writing, f"{line}\n".encode()), STUDIES)
        code = 0
    except BaseException:  # noqa: BLE001 - printed; the parent sees the status
        traceback.print_exc()
    finally:
        os._exit(code)


def runs(first: int, number: int, point: str = "") -> tuple[dict[int, list[str]], Counter[str]]:
    """Several seeds; returns the broken ones, and all kills."""
    failed: dict[int, list[str]] = {}
    kills: Counter[str] = Counter()
    for seed in range(first, first + number):
        with tempfile.TemporaryDirectory(prefix="sesamoid-kill-", dir=fast()) as folder:
            found, killed = run(seed, Path(folder) / "data", point)
        kills += killed
        if found:
            failed[seed] = found
    return failed, kills


def main() -> int:
    """Run as many seeds as asked; 1 when any is broken."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--runs", type=int, default=200)
    parser.add_argument("--first", type=int, default=0)
    parser.add_argument("--point", default="", choices=["", *faults.POINTS])
    options = parser.parse_args()
    failed, kills = runs(options.first, options.runs, options.point)
    for seed, found in failed.items():
        print(f"seed {seed}: {'; '.join(found)}")
    for name in faults.POINTS:
        print(f"{name:<18} killed {kills[name]}")
    print(f"{options.runs} runs, {kills.total()} kills, {len(failed)} broken")
    return 1 if failed else 0


if __name__ == "__main__":
    sys.exit(main())
