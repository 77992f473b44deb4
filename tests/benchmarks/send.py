"""How fast the node's sender is, against DCMTK's, to one receiver; see docs/performance.md.

    python -m tests.benchmarks.send --rounds 5 --json result.json

Both send the same files to the same storescp, in turn (A B A B), and so does the library's own
way. The node's figure holds opening the association and one synced transaction; the start of
storescu is in its figure, and shown beside it as the time of one small object. TCP_NODELAY is on.
"""

import argparse
import json
import os
import socket
import statistics
import subprocess
import tempfile
import threading
import time
import warnings
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import NamedTuple

import pydicom
from pynetdicom import AE

from dicom_service.node.commitment import Reports
from dicom_service.node.delivery import Delivery
from dicom_service.settings import Peer, Settings
from dicom_service.store import OutboxRow, Store
from dicom_service.store.blobs import Blob
from tests.benchmarks.files import write_objects
from tests.benchmarks.receivers import KINDS, Receiver

CR, EXPLICIT = "1.2.840.10008.5.1.4.1.1.1", "1.2.840.10008.1.2.1"
_SIZES = {"15 MB": (15_000_000, 6), "60 kB": (60_000, 32)}
_SIDES = ("node", "storescu", "library", "start")
_STORESCU = "/usr/bin/storescu"


class _Outbox:
    """What of the store a delivery uses: one synced transaction for what was taken."""

    def __init__(self, store: Store) -> None:
        self._store = store

    def outbox_sent(self, ids: list[int], transaction: str, again: datetime | None) -> None:
        self._store.audit("report sent", detail=f"{len(ids)} {transaction}", at=datetime.now(UTC))


class Sides(NamedTuple):
    """Who sends where."""

    store: Store
    settings: Settings
    port: int

    def node(self, paths: list[str]) -> float:
        """Seconds the node's sender takes."""
        peer = Peer(name="archive", ae_title="ANY", port=self.port, commitment=False)
        rows = [_row(number, path) for number, path in enumerate(paths)]
        delivery = Delivery(
            self.settings,
            _Outbox(self.store),  # type: ignore[arg-type]
            Reports(self.store, self.settings),
            peer,
            threading.Event(),
            lambda _: datetime.now(UTC) + timedelta(hours=1),
        )
        began = time.perf_counter()
        outcome = delivery.run(rows)
        taken = time.perf_counter() - began
        if outcome.later or outcome.refused:
            raise RuntimeError(str(outcome))
        return taken

    def storescu(self, paths: list[str]) -> float:
        """Seconds DCMTK's sender takes, its start included."""
        began = time.perf_counter()
        subprocess.run(
            [_STORESCU, "-xe", "-pdu", "131072", "127.0.0.1", str(self.port), *paths],
            env=os.environ | {"TCP_NODELAY": "1"},
            check=True,
            capture_output=True,
        )
        return time.perf_counter() - began

    def library(self, paths: list[str]) -> float:
        """Seconds of pynetdicom's own way: decode, encode, and look every millisecond."""
        entity = AE("LIBRARY")
        entity.add_requested_context(CR, EXPLICIT)
        began = time.perf_counter()
        association = entity.associate("127.0.0.1", self.port)
        connection = association.dul.socket.socket
        connection.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
        for path in paths:
            if association.send_c_store(pydicom.dcmread(path)).Status != 0:
                raise RuntimeError(path)
        association.release()
        return time.perf_counter() - began


class _At(Blob):
    """An object outside of any store."""

    def __init__(self, path: str) -> None:
        self.name = path

    @property
    def path(self) -> Path:
        return Path(self.name)


def _row(number: int, path: str) -> OutboxRow:
    return OutboxRow(
        id=number,
        study_uid="1.2.3",
        sop_instance_uid=f"1.2.3.{number}",
        sop_class_uid=CR,
        blob=_At(path),
        destination="archive",
        state="owed",
        attempts=0,
    )


def measure(folder: Path, rounds: int) -> dict[str, dict[str, float]]:
    """Median ms for each object, by receiver and size."""
    settings = Settings(data_folder=folder / "data")
    store = Store(settings.data_folder)
    found: dict[str, dict[str, float]] = {}
    (small,) = write_objects(folder / "one", 100, 1, 1)
    sent = {
        name: write_objects(folder / name, size, count, 1) for name, (size, count) in _SIZES.items()
    }
    for kind in (kind for kind in KINDS if kind.name in ("storescp", "storescp +B -pdu 131072")):
        receiver = Receiver(kind, folder / kind.name.replace(" ", ""), no_delay=True)
        sides = Sides(store, settings, receiver.port)
        for name, paths in sent.items():
            count = len(paths)
            times: dict[str, list[float]] = {side: [] for side in _SIDES}
            for _ in range(rounds):
                times["node"].append(sides.node(paths) / count)
                times["storescu"].append(sides.storescu(paths) / count)
                times["library"].append(sides.library(paths) / count)
                times["start"].append(sides.storescu([small]))
            median = {side: 1000 * statistics.median(taken) for side, taken in times.items()}
            median["ratio"] = median["storescu"] / median["node"]
            begun = median["storescu"] - median["start"] / count
            median["ratio without start"] = begun / median["node"]
            found[f"{name} to {kind.name}"] = {k: round(v, 2) for k, v in median.items()}
        receiver.stop()
    store.close()
    return found


def main() -> None:
    """Measure and print: ms for each object; ratios above 1: the node is faster."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--rounds", type=int, default=5)
    parser.add_argument("--json", type=Path)
    options = parser.parse_args()
    warnings.simplefilter("ignore")  # the UIDs of the objects are not what the library likes
    with tempfile.TemporaryDirectory() as folder:
        found = measure(Path(folder), options.rounds)
    for name, figures in found.items():
        print(f"{name:36}" + "".join(f"{k} {v:<9}" for k, v in figures.items()))
    if options.json:
        options.json.write_text(json.dumps(found, indent=1))


if __name__ == "__main__":
    main()
