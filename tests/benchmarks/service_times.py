"""How long each kind of work takes when nobody else waits: what scale.py reckons with.

    python -m tests.benchmarks.service_times --studies 30 --json service_times.json

One node and an invented archive in one process; a study after the other is received, prepared,
listed, opened, saved, signed and delivered. The first studies, which warm the node up, do not
count. Times in seconds; sizes in bytes.
"""

import argparse
import contextlib
import json
import os
import platform
import random
import sqlite3
import statistics
import tempfile
import time
from collections import defaultdict
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from pydicom.dataset import Dataset

from dicom_service.passwords import hash_password
from dicom_service.review.model import Reading, Template
from test_pacs.clinic import Clinic
from test_pacs.reader import ReaderClient, normal_reading
from test_pacs.sending import send
from test_pacs.studies import small_study

_PASSWORD = "an invented pass phrase"
_ROWS, _COLUMNS = 3000, 2500
_WARM = 3
"""Studies that are not counted."""
_SETTLE = 0.3
"""Seconds of quiet after which the node prepares a study; not part of any service time."""


class Watch:
    """Seconds by kind of work."""

    def __init__(self) -> None:
        self.times: dict[str, list[float]] = defaultdict(list)

    @contextmanager
    def of(self, kind: str, pieces: int = 1) -> Iterator[None]:
        """Time `pieces` pieces of work of one kind together."""
        since = time.perf_counter()
        yield
        self.times[kind].append((time.perf_counter() - since) / pieces)


def as_detector_makes_them(images: list[Dataset]) -> list[Dataset]:
    """The same headers with 15 MB of pixels each."""
    noise = random.Random(1).randbytes(2 * _ROWS * _COLUMNS)
    for image in images:
        image.Rows, image.Columns, image.PixelData = _ROWS, _COLUMNS, noise
    return images


def one_study(clinic: Clinic, reader: ReaderClient, watch: Watch) -> None:
    """The whole job once, from the camera to the archive's commitment."""
    images = as_detector_makes_them(small_study())
    study = str(images[0].StudyInstanceUID)
    service = clinic.service
    with watch.of("object", len(images)):
        send(images, service.dimse_port, clinic.settings.ae_title)
    reader.wait_for(study, "waiting")
    with watch.of("prepare"):
        service.desk.prepare(study)
    with watch.of("list"):
        reader.studies()
    with watch.of("open"):
        opened = reader.open(study)
    template = Template.model_validate(opened["template"])
    reading = normal_reading(template, Reading.model_validate(opened["reading"]))
    with watch.of("save"):
        saved = reader.save(study, opened["version"], reading)
    with watch.of("sign"):
        reader.sign(study, saved["version"], _PASSWORD)
    with watch.of("deliver"):
        reader.wait_for(study, "committed")


def _index_bytes(folder: Path) -> int:
    (index,) = folder.glob("*.sqlite")
    with contextlib.closing(sqlite3.connect(index)) as connection:
        connection.execute("PRAGMA wal_checkpoint(TRUNCATE)")
    return index.stat().st_size


def _blob_bytes(folder: Path) -> int:
    return sum(p.stat().st_size for p in (folder / "blobs").rglob("*") if p.is_file())


def measure(folder: Path, studies: int) -> dict[str, object]:
    """Median and 95th percentile of each kind of work, and what a study takes on the disk."""
    watch = Watch()
    options = {"settle_seconds": _SETTLE, "retry_first_seconds": 0.2}
    with Clinic(folder, options=options) as clinic:
        clinic.service.store.add_user("reader", "Reader^Rae", hash_password(_PASSWORD), ["reader"])
        reader = ReaderClient(clinic.service.address)
        reader.sign_in("reader", _PASSWORD)
        for _ in range(_WARM):
            one_study(clinic, reader, Watch())
        data = Path(clinic.settings.data_folder)
        before = _index_bytes(data), _blob_bytes(data)
        for number in range(studies):
            one_study(clinic, reader, watch)
            print(f"study {number + 1} of {studies}", flush=True)
        after = _index_bytes(data), _blob_bytes(data)
    images = len(small_study())
    pixels = 2 * _ROWS * _COLUMNS * images
    return {
        "machine": f"{os.cpu_count()} cores, {platform.machine()}, load {os.getloadavg()[0]:.1f}",
        "images_per_study": images,
        "seconds": {kind: _summary(times) for kind, times in watch.times.items()},
        "index_bytes_per_study": round((after[0] - before[0]) / studies),
        "document_bytes_per_study": round((after[1] - before[1]) / studies - pixels),
    }


def _summary(times: list[float]) -> dict[str, object]:
    return {
        "median": round(statistics.median(times), 5),
        "p95": round(sorted(times)[int(0.95 * (len(times) - 1))], 5),
        "all": [round(t, 5) for t in times],
    }


def main() -> None:
    """Measure, print, and write JSON when asked."""
    parser = argparse.ArgumentParser(description=(__doc__ or "").split("\n", maxsplit=1)[0])
    parser.add_argument("--studies", type=int, default=30)
    parser.add_argument("--json", type=Path)
    options = parser.parse_args()
    with tempfile.TemporaryDirectory(prefix="sesamoid-") as folder:
        found = measure(Path(folder), options.studies)
    text = json.dumps(found, indent=1)
    print(text)
    if options.json:
        options.json.write_text(text + "\n")


if __name__ == "__main__":
    main()
