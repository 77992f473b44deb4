"""What many sites ask of receivers, settlers, web workers and senders: a simulation.

    python -m tests.benchmarks.scale --times service_times.json --sites 1 10 100 1000
    python -m tests.benchmarks.scale --check

The busiest hour of the busiest day is played through, event by event, with service times drawn
from those that service_times.py measured. Each role is a row of equal workers with one queue.
`--check` compares simulated queues with Erlang's formula for the mean wait in M/M/c (A. K. Erlang
1917; here as in any textbook of queueing, from memory). All assumptions stand in `Assumptions`.
"""

import argparse
import json
import math
import random
import statistics
from collections.abc import Callable, Generator
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Any

import simpy

Draw = Callable[[], float]
Steps = Generator[simpy.Event, Any, None]

ROLE_OF = {
    "object": "receivers",
    "prepare": "settlers",
    "list": "web workers",
    "open": "web workers",
    "save": "web workers",
    "sign": "web workers",
    "deliver": "senders",
}
ROLES = tuple(dict.fromkeys(ROLE_OF.values()))


@dataclass(frozen=True)
class Assumptions:
    """What nobody measured: common practice at best, no source. Change them for your clinics."""

    studies_a_year_and_site: int = 10_000
    working_days: int = 260
    busiest_day: float = 1.5
    """Studies of the busiest day, in those of a mean day."""
    busiest_hour: float = 0.15
    """Share of a day's studies in its busiest hour, all sites in one time zone."""
    images: tuple[int, ...] = (2, 2, 3, 4, 4, 6, 8)
    """Images of a study; one is drawn."""
    image_bytes: int = 15_000_000
    seconds_between_images: float = 2.0
    """A study is routed as a whole: the mean time from one image to the next."""
    quiet_seconds: float = 20.0
    lists: int = 3
    """Times that a reader looks at the list, for each study."""
    saves: int = 40
    """Times that the panel saves in a reading."""
    reading_seconds: float = 400.0
    until_read_seconds: float = 900.0
    most_used: float = 0.7
    """Workers are added until no role is busier than this."""

    def studies_an_hour(self, sites: int) -> float:
        """In the busiest hour."""
        day = sites * self.studies_a_year_and_site / self.working_days * self.busiest_day
        return day * self.busiest_hour

    def work(self) -> dict[str, float]:
        """How often each kind of work is done for one study."""
        once = dict.fromkeys(ROLE_OF, 1.0)
        return once | {
            "object": statistics.mean(self.images),
            "list": float(self.lists),
            "save": float(self.saves),
        }


class Row:
    """The equal workers of one role and their queue."""

    def __init__(self, world: simpy.Environment, workers: int, counted_from: float) -> None:
        self._world, self._from = world, counted_from
        self._workers = simpy.Resource(world, workers)
        self.waits: list[float] = []
        self.busy = 0.0

    def do(self, seconds: float) -> Steps:
        """Wait for a worker, and keep it for `seconds`."""
        asked = self._world.now
        with self._workers.request() as turn:
            yield turn
            if asked >= self._from:
                self.waits.append(self._world.now - asked)
                self.busy += seconds
            yield self._world.timeout(seconds)


class Hour:
    """The busiest hour of `sites`; an hour and a half before it fills the queues."""

    lead, length = 5400.0, 3600.0

    def __init__(
        self, sites: int, draw: dict[str, Draw], workers: dict[str, int], known: Assumptions
    ) -> None:
        self.world = simpy.Environment()
        self.rows = {role: Row(self.world, workers[role], self.lead) for role in ROLES}
        self._chance, self._draw, self._known = random.Random(sites), draw, known
        self._pause = 3600.0 / known.studies_an_hour(sites)

    def play(self) -> None:
        """Let it pass."""
        self.world.process(self._arrivals())
        self.world.run(until=self.lead + self.length)

    def _arrivals(self) -> Steps:
        while True:
            yield self._some(self._pause)
            self.world.process(self._study())

    def _some(self, mean: float) -> simpy.Event:
        return self.world.timeout(self._chance.expovariate(1 / mean))

    def _do(self, kind: str) -> simpy.Event:
        return self.world.process(self.rows[ROLE_OF[kind]].do(self._draw[kind]()))

    def _study(self) -> Steps:
        known = self._known
        for _ in range(self._chance.choice(known.images)):
            yield self._do("object")
            yield self._some(known.seconds_between_images)
        yield self.world.timeout(known.quiet_seconds)
        yield self._do("prepare")
        yield self._some(known.until_read_seconds)
        for kind in ("list",) * known.lists + ("open",):
            yield self._do(kind)
        for _ in range(known.saves):
            yield self._some(known.reading_seconds / known.saves)
            yield self._do("save")
        yield self._do("sign")
        yield self._do("deliver")


def needed(sites: int, mean: dict[str, float], known: Assumptions) -> dict[str, int]:
    """Workers of each role, so that none is busier than assumed."""
    a_second = known.studies_an_hour(sites) / 3600
    load = dict.fromkeys(ROLES, 0.0)
    for kind, times in known.work().items():
        load[ROLE_OF[kind]] += a_second * times * mean[kind]
    return {role: max(1, math.ceil(value / known.most_used)) for role, value in load.items()}


def simulate(
    sites: int, times: dict[str, list[float]], known: Assumptions, less: float = 1.0
) -> list[dict[str, Any]]:
    """One line for each role: workers, how busy they are, how long work waits for one (ms)."""
    chance = random.Random(7)
    draw: dict[str, Draw] = {k: lambda v=v: chance.choice(v) for k, v in times.items()}  # type: ignore[misc]
    mean = {kind: statistics.mean(values) for kind, values in times.items()}
    workers = {r: max(1, round(n * less)) for r, n in needed(sites, mean, known).items()}
    hour = Hour(sites, draw, workers, known)
    hour.play()
    return [
        {
            "sites": sites,
            "role": role,
            "workers": workers[role],
            "busy": round(row.busy / Hour.length / workers[role], 2),
            "wait_ms": [round(1000 * _share(row.waits, part)) for part in (0.5, 0.95, 0.99)],
        }
        for role, row in hour.rows.items()
    ]


def _share(values: list[float], part: float) -> float:
    return sorted(values)[int(part * (len(values) - 1))] if values else 0.0


def storage(sites: int, measured: dict[str, Any], known: Assumptions) -> dict[str, float]:
    """What a year leaves on the disks, in TB of images and documents and GB of index."""
    studies = sites * known.studies_a_year_and_site
    images = statistics.mean(known.images) * known.image_bytes
    return {
        "sites": sites,
        "studies": studies,
        "images_tb": round(studies * images / 1e12, 1),
        "documents_tb": round(studies * measured["document_bytes_per_study"] / 1e12, 2),
        "index_gb": round(studies * measured["index_bytes_per_study"] / 1e9, 1),
        "mean_arrival_mb_a_second": round(known.studies_an_hour(sites) / 3600 * images / 1e6, 1),
    }


def erlang_wait(workers: int, busy: float, service: float) -> float:
    """Mean wait in M/M/c by Erlang's C formula; `busy` is the share of time in work."""
    offered = workers * busy
    last = offered**workers / math.factorial(workers) / (1 - busy)
    before = sum(offered**k / math.factorial(k) for k in range(workers))
    return last / (before + last) * service / (workers * (1 - busy))


def check() -> None:
    """Simulated mean wait and Erlang's, for rows of workers with exponential times."""
    print("| workers | busy | simulated | Erlang C | ratio |\n|---|---|---|---|---|")
    for workers, busy in ((1, 0.5), (1, 0.8), (2, 0.7), (4, 0.7), (8, 0.8)):
        world, chance = simpy.Environment(), random.Random(3)
        row = Row(world, workers, counted_from=1000.0)

        def arrivals(
            world: simpy.Environment = world,
            chance: random.Random = chance,
            row: Row = row,
            rate: float = workers * busy,
        ) -> Steps:
            while True:
                yield world.timeout(chance.expovariate(rate))
                world.process(row.do(chance.expovariate(1.0)))

        world.process(arrivals())
        world.run(until=400_000 / workers)
        found, known = statistics.mean(row.waits), erlang_wait(workers, busy, 1.0)
        print(f"| {workers} | {busy} | {found:.3f} | {known:.3f} | {found / known:.2f} |")


def main() -> None:
    """Simulate for each number of sites, print tables, and write JSON when asked."""
    parser = argparse.ArgumentParser(description=(__doc__ or "").split("\n", maxsplit=1)[0])
    parser.add_argument("--times", type=Path, help="what service_times.py wrote")
    parser.add_argument("--sites", type=int, nargs="+", default=[1, 10, 100, 1000])
    parser.add_argument("--less", type=float, default=1.0, help="share of the workers needed")
    parser.add_argument("--check", action="store_true")
    parser.add_argument("--json", type=Path)
    options = parser.parse_args()
    if options.check:
        check()
        return
    if not options.times:
        parser.error("--times FILE is needed; service_times.py writes it")
    measured, known = json.loads(options.times.read_text()), Assumptions()
    times = {kind: said["all"] for kind, said in measured["seconds"].items()}
    lines = [line for n in options.sites for line in simulate(n, times, known, options.less)]
    disks = [storage(n, measured, known) for n in options.sites]
    print("| sites | role | workers | busy | wait p50, p95, p99 (ms) |\n|---|---|---|---|---|")
    for line in lines:
        print("| {sites} | {role} | {workers} | {busy} | {wait_ms} |".format(**line))
    print("\n| " + " | ".join(disks[0]) + " |\n" + "|---" * len(disks[0]) + "|")
    for disk in disks:
        print("| " + " | ".join(str(v) for v in disk.values()) + " |")
    if options.json:
        found = {"assumptions": asdict(known), "rows": lines, "storage": disks}
        options.json.write_text(json.dumps(found, indent=1) + "\n")


if __name__ == "__main__":
    main()
