"""How fast objects are taken in, beside the receivers that people would use instead.

    python -m tests.benchmarks.receive --quick              about a minute
    python -m tests.benchmarks.receive --minutes 10 --json result.json
    python -m tests.benchmarks.receive --only 'this node' --sustained 10000

All receivers run at once and are asked in turn, again and again (A B A B), so that a machine
that is busy for a while is busy for all. Medians and ratios are printed; nothing is asserted.
"""

import argparse
import contextlib
import itertools
import json
import os
import platform
import shutil
import statistics
import subprocess
import sys
import tempfile
import time
from collections.abc import Iterator
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parent))

from tests.benchmarks.receivers import KINDS, NODE, Receiver
from tests.benchmarks.sender import Association, send

SIZES = {"15 MB": 15_000_000, "60 kB": 60_000}
ASSOCIATIONS = (1, 2, 4)
STORESCU = "/usr/bin/storescu"


class Bench:
    """Running receivers, and the seconds that each took for each task."""

    def __init__(self, receivers: list[Receiver], no_delay: bool, folder: Path) -> None:
        self.receivers = receivers
        self.no_delay = no_delay
        self.folder = folder
        self.seconds: dict[tuple[str, ...], list[float]] = {}
        self.failures: dict[tuple[str, ...], str] = {}
        self._numbers = itertools.count(1, 100_000)

    def note(self, receiver: Receiver, task: tuple[str, ...], work: object) -> None:
        key = (*task, receiver.kind.name)
        try:
            self.seconds.setdefault(key, []).append(work())  # type: ignore[operator]
        except (OSError, RuntimeError, subprocess.SubprocessError) as error:
            self.failures[key] = str(error)[:200]

    def store(self, size: str, associations: int, count: int) -> None:
        for receiver in self.receivers:
            self.note(
                receiver,
                (size, str(associations), "in memory"),
                lambda receiver=receiver: (
                    send(
                        receiver.port,
                        SIZES[size],
                        count,
                        associations,
                        self.no_delay,
                        next(self._numbers),
                    )
                    / count
                ),
            )
            self.clear(receiver)

    def storescu(self, size: str, associations: int, count: int) -> None:
        for receiver in self.receivers:
            files = self._files(size, associations, count)
            self.note(
                receiver,
                (size, str(associations), "storescu"),
                lambda receiver=receiver, files=files: self._storescu(receiver, files) / count,
            )
            self.clear(receiver)

    def _storescu(self, receiver: Receiver, parts: list[list[str]]) -> float:
        environment = os.environ | {"TCP_NODELAY": "1" if self.no_delay else "0"}
        command = [STORESCU, "-aec", "SESAMOID", "-pdu", "131072", "127.0.0.1", str(receiver.port)]
        began = time.perf_counter()
        running = [
            subprocess.Popen(command + part, env=environment, stderr=subprocess.PIPE)
            for part in parts
        ]
        for process in running:
            said = process.communicate(timeout=120)[1]
            if process.returncode:
                raise RuntimeError(said.decode(errors="replace")[-200:])
        return time.perf_counter() - began

    def _files(self, size: str, associations: int, count: int) -> list[list[str]]:
        """New objects as files, shared out."""
        from files import write_objects

        folder = self.folder / "send"
        shutil.rmtree(folder, ignore_errors=True)
        names = write_objects(folder, SIZES[size], count, next(self._numbers))
        return [names[part::associations] for part in range(associations)]

    def latency(self, times: int) -> None:
        for receiver in self.receivers:
            self.note(receiver, ("echo", "1", "in memory"), lambda r=receiver: self._echo(r, times))
            self.note(receiver, ("open+close", "1", "in memory"), lambda r=receiver: self._open(r))

    def _echo(self, receiver: Receiver, times: int) -> float:
        association = Association(receiver.port, self.no_delay)
        took = []
        for _ in range(times):
            began = time.perf_counter()
            association.echo()
            took.append(time.perf_counter() - began)
        association.release()
        return statistics.median(took)

    def _open(self, receiver: Receiver) -> float:
        began = time.perf_counter()
        Association(receiver.port, self.no_delay).release()
        return time.perf_counter() - began

    def clear(self, receiver: Receiver) -> None:
        """Forget what the simple receivers wrote, so that the disk does not fill."""
        folder = self.folder / str(receiver.port) / "in"
        for file in folder.iterdir():
            file.unlink()
        # What one left to be written must not slow the next down: the disk is the same.
        os.sync()


def rounds(bench: Bench, options: argparse.Namespace) -> Iterator[None]:
    """The tasks, one after another, until the time is over."""
    began = time.monotonic()
    number = 0
    while number < options.rounds and time.monotonic() - began < options.minutes * 60:
        number += 1
        for associations in options.associations:
            bench.store("60 kB", associations, options.small)
            yield
            bench.store("15 MB", associations, max(options.large, associations))
            yield
            if options.storescu:
                bench.storescu("60 kB", associations, options.small)
                yield
                bench.storescu("15 MB", associations, max(options.large, associations))
                yield
        bench.latency(options.echoes)
        yield


def table(bench: Bench) -> list[dict[str, object]]:
    """Medians, and each receiver's time over the node's: below 1 it is faster than the node."""
    rows: list[dict[str, object]] = []
    durable = {receiver.kind.name: receiver.kind.durable for receiver in bench.receivers}
    for key, seconds in sorted(bench.seconds.items()):
        if not seconds:
            continue
        *task, name = key
        own = bench.seconds.get((*task, NODE.name))
        median = statistics.median(seconds)
        rows.append(
            {
                "task": task[0],
                "associations": int(task[1]),
                "sender": task[2],
                "receiver": name,
                "durable": durable[name],
                "rounds": len(seconds),
                "median_ms": round(median * 1000, 3),
                "time_over_the_nodes": round(median / statistics.median(own), 2) if own else None,
            }
        )
    return rows


def show(rows: list[dict[str, object]]) -> None:
    print(
        "| task | sender | assoc. | receiver | durable | rounds | ms per object "
        "| its time ÷ the node's |\n"
        "|---|---|---|---|---|---|---|---|"
    )
    for row in sorted(
        rows, key=lambda r: (r["task"], r["sender"], r["associations"], r["median_ms"])
    ):
        print(
            f"| {row['task']} | {row['sender']} | {row['associations']} | {row['receiver']} | "
            f"{'yes' if row['durable'] else 'no'} | {row['rounds']} | {row['median_ms']} | "
            f"{row['time_over_the_nodes']} |"
        )


def sustained(bench: Bench, count: int) -> dict[str, object]:
    """Many small objects on four associations: is the rate at the end that of the start?"""
    receiver = bench.receivers[0]
    rates = []
    for start in range(0, count, 1000):
        seconds = send(receiver.port, SIZES["60 kB"], 1000, 4, bench.no_delay, 10**9 + start)
        rates.append(round(1000 / seconds))
    found = {"objects": count, "per_second": rates, "peak_mib": round(receiver.peak_mib())}
    print(f"{receiver.kind.name}, {count} objects of 60 kB, 4 associations: {found}")
    return found


def parse() -> argparse.Namespace:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--quick", action="store_true", help="at most a minute")
    parser.add_argument("--minutes", type=float, default=5.0)
    parser.add_argument("--rounds", type=int, default=5)
    parser.add_argument("--small", type=int, default=100, help="objects of 60 kB in one go")
    parser.add_argument("--large", type=int, default=6, help="objects of 15 MB in one go")
    parser.add_argument("--echoes", type=int, default=200)
    parser.add_argument("--associations", type=int, nargs="+", default=list(ASSOCIATIONS))
    parser.add_argument("--nagle", action="store_true", help="leave Nagle on at both ends")
    parser.add_argument("--no-storescu", dest="storescu", action="store_false")
    parser.add_argument("--only", nargs="+", help="names of receivers")
    parser.add_argument("--sustained", type=int, default=0, help="so many objects to the first")
    parser.add_argument("--folder", type=Path, help="where receivers write; default: temporary")
    parser.add_argument("--json", type=Path)
    options = parser.parse_args()
    if options.quick:
        options.minutes, options.rounds, options.small, options.large = 0.75, 2, 40, 4
        options.associations, options.storescu = [1, 4], False
    return options


def main() -> None:
    options = parse()
    kinds = [kind for kind in KINDS if not options.only or kind.name in options.only]
    folder = Path(tempfile.mkdtemp(prefix="receive-", dir=options.folder))
    result: dict[str, object] = {
        "machine": f"{os.cpu_count()} cores, {platform.system()}, load {os.getloadavg()[0]:.1f}",
        "tcp_nodelay": "off" if options.nagle else "on at both ends",
        "pdu": 131072,
    }
    receivers: list[Receiver] = []
    try:
        for kind in kinds:
            with contextlib.suppress(FileNotFoundError):
                receivers.append(Receiver(kind, folder / f"r{len(receivers)}", not options.nagle))
        bench = Bench(receivers, not options.nagle, folder)
        for receiver, number in zip(receivers, itertools.count()):
            (folder / str(receiver.port)).symlink_to(folder / f"r{number}")
        deadline = time.monotonic() + options.minutes * 60
        for _ in rounds(bench, options):
            if time.monotonic() > deadline:
                break
        result |= {
            "rows": table(bench),
            "failures": {" ".join(k): v for k, v in bench.failures.items()},
        }
        print(result["machine"], "TCP_NODELAY", result["tcp_nodelay"])
        show(result["rows"])  # type: ignore[arg-type]
        print("failures:", result["failures"])
        if options.sustained:
            result["sustained"] = sustained(bench, options.sustained)
    finally:
        for receiver in receivers:
            receiver.stop()
        shutil.rmtree(folder, ignore_errors=True)
    if options.json:
        options.json.write_text(json.dumps(result, indent=1))


if __name__ == "__main__":
    main()
