"""What it costs to have the objects in a bucket: milliseconds for each object taken and read.

    python -m tests.benchmarks.bucket [--small 400] [--large 12]

The bucket is that of a real object store on this machine (tests/object_store.py), which keeps
everything in memory: what is measured is our way there and back, and no network.
"""

import argparse
import json
import sys
import tempfile
import time
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[2]))

from dicom_service.store import InstanceHeader, Store
from dicom_service.store.elsewhere import Elsewhere, Spooling
from tests.object_store import ObjectStore

_CR = "1.2.840.10008.5.1.4.1.1.1"
_SIZES = {"60 kB": 60_000, "15 MB": 15_000_000}


def header(uid: str) -> InstanceHeader:
    """Of an image in one study."""
    return InstanceHeader(
        sop_instance_uid=uid,
        sop_class_uid=_CR,
        study_uid="1.2.3",
        series_uid="1.2.3.1",
        transfer_syntax="1.2.840.10008.1.2.1",
        modality="CR",
    )


def taken(store: Store, size: int, count: int, threads: int) -> float:
    """Milliseconds for each of `count` objects, with so many senders."""
    data = bytes(size)

    def one(number: int) -> None:
        uid = f"1.9.{size}.{threads}.{number}"
        store.accept_bytes(data, header(uid), source="BENCH", digest=f"{uid:0>64}")

    began = time.perf_counter()
    with ThreadPoolExecutor(threads) as senders:
        list(senders.map(one, range(count)))
    return (time.perf_counter() - began) * 1000 / count


def read(store: Store) -> float:
    """Milliseconds for each object fetched that is not on this machine."""
    rows = [row for row in store.instances("1.2.3") if row.size > 1_000_000]
    store.drain()
    for folder in (store.folder / "blobs", store.folder / "cache"):
        for file in folder.rglob("*"):
            if file.is_file():
                file.unlink()
    began = time.perf_counter()
    for row in rows:
        row.path.read_bytes()
    return (time.perf_counter() - began) * 1000 / len(rows)


def measure(folder: Path, counts: dict[str, int]) -> dict[str, dict[str, float]]:
    """By way of keeping, and by what was done."""
    objects = ObjectStore()
    found: dict[str, dict[str, float]] = {}
    try:
        ways: dict[str, Elsewhere | None] = {
            "folder": None,
            "bucket": Elsewhere(objects.place(seconds=20)),
            "spool first": Elsewhere(objects.place(seconds=20), Spooling(first=True)),
        }
        for name, where in ways.items():
            store = Store(folder / name.replace(" ", "-"), elsewhere=where)
            figures = found[name] = {}
            for size, count in counts.items():
                for threads in (1, 4):
                    label = f"{size}, {threads} at once"
                    figures[label] = round(taken(store, _SIZES[size], count, threads), 1)
            if name == "bucket":
                figures["15 MB fetched"] = round(read(store), 1)
            store.close()
    finally:
        objects.close()
    return found


def main() -> None:
    """Print the figures."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--small", type=int, default=400)
    parser.add_argument("--large", type=int, default=12)
    options = parser.parse_args()
    with tempfile.TemporaryDirectory() as folder:
        counts = {"60 kB": options.small, "15 MB": options.large}
        print(json.dumps(measure(Path(folder), counts), indent=1))


if __name__ == "__main__":
    main()
