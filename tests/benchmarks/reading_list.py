"""How fast pages of the reading list are found in a large store; see docs/performance.md.

    python -m tests.benchmarks.reading_list --studies 1000000 --json result.json

With `--sites` its studies are of three sites, and pages of each and of two together are measured
beside those of all: what is printed then are ratios.

The store is made for it, with names and descriptions as frequent as `_WORDS` says, and removed
afterwards; `--folder` keeps it for the next run.
"""

import argparse
import json
import random
import sqlite3
import statistics
import tempfile
import time
from collections.abc import Callable
from functools import partial
from pathlib import Path
from typing import Any

from dicom_service.store import ListQuery, Store, texts

_NAMES = ("rex", "bella", "luna", "max", "nala", "balu", "emma", "rocky", "mia", "sam")
_SPECIES = (["canine"] * 6) + (["feline"] * 3) + ["equine"]
_PARTS = ("carpus", "tarsus", "stifle", "elbow", "manus", "pes", "shoulder", "antebrachium")
_STATES = (["signed"] * 996) + ["waiting", "reading", "arriving", "failed"]
_DAY = 86_400_000_000
_QUESTIONS: dict[str, dict[str, Any]] = {
    "first page": {},
    "page 20": {"offset": 950},
    "to read": {"stage": "to_read"},
    "in progress": {"stage": "in_progress"},
    "to deliver": {"stage": "to_deliver"},
    "delivered": {"stage": "delivered"},
    "trouble": {"stage": "trouble"},
    "urgent": {"urgent": True},
    "missing views": {"missing": True},
    "urgent and missing views": {"urgent": True, "missing": True},
    "species, 1 of 10": {"species": "equine"},
    "species that no study has": {"species": "rabbit"},
    "reader, 1 of 1000": {"reader": "ida"},
    "word in 6 of 10": {"text": "canine"},
    "word in 1 of 10": {"text": "rex"},
    "beginning of words in 2 of 10": {"text": "r"},
    "two frequent words": {"text": "rex stifle"},
    "owner, 1 of 200": {"text": "owner117"},
    "owner and name, 1 of 2000": {"text": "owner117 rex"},
    "beginning of owners and name, 1 of 200": {"text": "owner11 rex"},
    "frequent words, never together": {"text": "rex bella"},
    "owners, never together": {"text": "owner117 owner118"},
    "species, never together": {"text": "canine equine"},
    "four frequent words": {"text": "rex stifle left equine"},
    "rare word": {"text": "a4711"},
    "no such word": {"text": "xylophone"},
    "frequent word, to read": {"text": "canine", "stage": "to_read"},
}


_SITES = (["north"] * 69) + (["south"] * 30) + ["west"]
_SEEN = (("north",), ("south",), ("west",), ("north", "south"))


def fill(folder: Path, count: int, *, sites: bool = False) -> None:
    """Make a store of invented studies, in the tables themselves: 1,000,000 take minutes."""
    Store(folder).close()
    chance = random.Random(1)
    with sqlite3.connect(folder / "index.sqlite") as base:
        base.execute("PRAGMA journal_mode=OFF")
        base.execute("PRAGMA synchronous=OFF")
        base.execute("PRAGMA cache_size=-400000")
        indexes = base.execute(
            "SELECT name, sql FROM sqlite_master WHERE type='index' AND sql IS NOT NULL "
            "AND tbl_name IN ('studies', 'study_words', 'list_lines', 'outbox')"
        ).fetchall()
        for name, _ in indexes:
            base.execute(f"DROP INDEX {name}")
        columns = base.execute("SELECT name, type FROM pragma_table_info('studies')").fetchall()
        blank = {name: "" if kind.startswith(("TEXT", "VARCHAR")) else 0 for name, kind in columns}
        marks = ",".join("?" * len(columns))
        base.execute("CREATE TEMP TABLE unsorted (word, study_uid)")
        for number in range(count):
            row = blank | _study(number, chance)
            if sites:
                row["site"] = _SITES[number * 7919 % 100]
            base.execute(f"INSERT INTO studies VALUES ({marks})", list(row.values()))
            pairs = [(word, row["study_uid"]) for word in _words(row)]
            base.executemany("INSERT INTO unsorted VALUES (?, ?)", pairs)
            _beside(base, row, chance)
        base.execute("INSERT INTO study_words SELECT * FROM unsorted ORDER BY word, study_uid")
        for _, made in indexes:
            base.execute(made)
    store = Store(folder)
    with store._index.write() as connection:
        texts.take_in_older(connection)
    store.close()


def _beside(base: sqlite3.Connection, row: dict[str, Any], chance: random.Random) -> None:
    uid, missing = row["study_uid"], "No DPa view." if chance.random() < 0.02 else ""
    line = (uid, "Lame?", missing, int(chance.random() < 0.01), "")
    base.execute("INSERT INTO list_lines VALUES (?, ?, ?, ?, ?)", line)
    if row["state"] == "signed":
        state = "committed" if chance.random() < 0.9999 else "owed"
        base.execute(
            "INSERT INTO outbox (study_uid, sop_instance_uid, destination, state, attempts, "
            "resends, transaction_uid, leased_until, error) VALUES (?, ?, 'archive', ?, 0, 0, "
            "'', 0, '')",
            (uid, uid + ".1", state),
        )


def _study(number: int, chance: random.Random) -> dict[str, Any]:
    return {
        "study_uid": f"1.2.826.0.1.3680043.10.{number * 7919 % 9_999_991}.{number}",
        "patient_id": f"A{number // 3}",
        "patient_name": f"Owner{100 + chance.randrange(200)}^{chance.choice(_NAMES)}",
        "species": chance.choice(_SPECIES),
        "accession_number": f"ACC{number}",
        "description": f"{chance.choice(_PARTS)} {chance.choice(('left', 'right'))}",
        "regions": "[]",
        "state": chance.choice(_STATES),
        "reader": "ida" if chance.random() < 0.001 else "ben",
        "images": 2,
        "last_object_at": number * _DAY // 500,
        "facts": "x" * 1500,
        "template": "x" * 2500,
    }


def _words(row: dict[str, Any]) -> set[str]:
    fields = ("patient_id", "patient_name", "species", "accession_number", "description")
    text = " ".join(row[field] for field in fields).casefold().replace("^", " ")
    return {*text.split(), row["study_uid"]}


def measure(
    store: Store,
    rounds: int,
    sites: tuple[str, ...] | None = None,
    spent: Callable[[], float] = time.thread_time,
) -> dict[str, dict[str, float]]:
    """Milliseconds of a page of 50 with its count, and of the numbers of the stages.

    Parameters
    ----------
    spent
        Seconds of a processor that all who are at it have used so far. Their median is
        "processor": what a busy machine stretches least.
    """
    found = {}
    for name, question in _QUESTIONS.items():
        offset = question.get("offset", 0)
        asked = {key: value for key, value in question.items() if key != "offset"}
        query = ListQuery(**asked, sites=sites)
        parts: dict[str, Callable[[], Any]] = {
            "page": partial(store.page, query, 50, offset),
            "stages": partial(store.count_stages, sites),
        }
        found[name] = _timed(parts, rounds, spent)
    return found


def _timed(
    parts: dict[str, Callable[[], Any]], rounds: int, spent: Callable[[], float]
) -> dict[str, Any]:
    times: dict[str, list[float]] = {name: [] for name in (*parts, "all", "processor")}
    for _ in range(rounds):
        worked, began = spent(), time.perf_counter()
        for name, ask in parts.items():
            since = time.perf_counter()
            ask()
            times[name].append(1000 * (time.perf_counter() - since))
        times["all"].append(1000 * (time.perf_counter() - began))
        times["processor"].append(1000 * (spent() - worked))
    figures = {name: round(statistics.median(taken), 1) for name, taken in times.items()}
    return figures | {"slowest": round(max(times["all"]), 1)}


def _compare(store: Store, rounds: int, of_all: dict[str, dict[str, float]]) -> None:
    """Time for a page of some sites over that of the same page of all sites."""
    print(f"{'time over that of all sites':40}" + "".join(f"{'+'.join(s):14}" for s in _SEEN))
    found = [measure(store, rounds, sites) for sites in _SEEN]
    for name, figures in of_all.items():
        ratios = (one[name]["all"] / max(figures["all"], 0.1) for one in found)
        print(f"{name:40}" + "".join(f"{ratio:<14.2f}" for ratio in ratios), end="")
        print(f" ({figures['all']} ms, slowest {max(one[name]['all'] for one in found)} ms)")


def main() -> None:
    """Fill, measure, print."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--studies", type=int, default=1_000_000)
    parser.add_argument("--rounds", type=int, default=9)
    parser.add_argument("--sites", action="store_true", help="of three sites; prints ratios")
    parser.add_argument("--folder", type=Path)
    parser.add_argument("--json", type=Path)
    options = parser.parse_args()
    with tempfile.TemporaryDirectory() as temporary:
        folder = options.folder or Path(temporary)
        if not (folder / "index.sqlite").exists():
            fill(folder, options.studies, sites=options.sites)
        store = Store(folder)
        found = measure(store, options.rounds)
        if options.sites:
            _compare(store, options.rounds, found)
        store.close()
    for name, figures in found.items():
        print(f"{name:40}" + "".join(f"{k} {v:<9}" for k, v in figures.items()))
    if options.json:
        options.json.write_text(json.dumps(found, indent=1))


if __name__ == "__main__":
    main()
