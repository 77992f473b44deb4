"""A data folder as this version of the program writes it, frozen for the versions after it.

`python -m tests.deploy.freezing tests/deploy/frozen`, before `VERSION` in `store/schema.py` is
raised, works on a small clinic of invented animals and packs what is left: the index of each
engine (PostgreSQL's as SQL), the files, and what was promised to readers and senders. The program
of that version must do it: a later one can only guess what an earlier one wrote.
"""

import hashlib
import io
import json
import os
import sqlite3
import subprocess
import sys
import tarfile
import tempfile
from contextlib import closing
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from pydicom.dataset import Dataset

from dicom_service.passwords import hash_password
from dicom_service.review.model import Reading, Template
from dicom_service.store import Store
from dicom_service.store.backup import back_up, restore
from dicom_service.store.schema import VERSION
from test_pacs.clinic import Clinic
from test_pacs.reader import ReaderClient, RequestRefused, normal_reading
from test_pacs.sending import send
from test_pacs.studies import small_study
from tests.job.helpers import PASSWORD, read_and_save, signed_in
from tests.postgres_server import Server

SITE: dict[str, Any] = {"id": "north", "name": "Clinic North", "ae_titles": ["NORTH"]}
OPTIONS: dict[str, Any] = {
    "settle_seconds": 0.5, "retry_first_seconds": 0.2, "sites": [SITE], "journal_below_kb": 256,
}  # fmt: skip


def small(seed: str, name: str, **more: Any) -> list[Dataset]:
    """A study of two images that need little room."""
    images = small_study(seed=f"frozen {seed}", **more)
    for made in images:
        made.PatientName, made.PatientID = f"Frozen^{name}", f"FROZEN-{seed}"
        pixels = made.pixel_array[::2, ::2] & 0xFFF0
        made.Rows, made.Columns = pixels.shape
        made.PixelData = pixels.tobytes()
    return images


class Freezing:
    """The clinic at work, and what it was promised."""

    def __init__(self, folder: Path) -> None:
        self.data = folder / "node"
        self.promised: dict[str, Any] = {"version": VERSION, "objects": {}, "studies": {}}
        self.clinic = Clinic(folder, options=OPTIONS)

    def run(self) -> None:
        """From the first image to a process that is killed."""
        with self.clinic:
            store, address = self.clinic.service.store, self.clinic.service.address
            store.add_user("otto", "Operator^Otto", hash_password(PASSWORD), ["administrator"])
            store.add_user(
                "nora", "Nordmann^Nora", hash_password(PASSWORD), ["reader"], site="north"
            )
            self.reader = signed_in(store, address)
            self._signed()
            self._withdrawn()
            self._draft()
            self._reopened()
            self._of_a_site()
            self._aside()
            self.clinic.archive.stop()
            self._owed()
            self.reader.request("PATCH", "api/preferences", {"language": "de"})
        self._killed()

    def _arrive(self, images: list[Dataset], title: str = "SESAMOID") -> str:
        send(images, self.clinic.service.dimse_port, title)
        return self._keep(images)

    def _keep(self, images: list[Dataset]) -> str:
        for made in images:
            digest = hashlib.sha256(made.PixelData).hexdigest()
            self.promised["objects"][str(made.SOPInstanceUID)] = digest
        return str(images[0].StudyInstanceUID)

    def _read(self, images: list[Dataset], finding: str = "", reader: ReaderClient | None = None,
              title: str = "SESAMOID") -> tuple[str, int]:  # fmt: skip
        reader = reader or self.reader
        uid = self._arrive(images, title)
        reader.wait_for(uid, "waiting")
        return uid, read_and_save(reader, uid, finding=finding)

    def _remember(self, uid: str, *, name: str, reader: ReaderClient | None = None) -> None:
        opened = (reader or self.reader).open(uid)
        self.promised["studies"][name] = {
            "uid": uid,
            "state": opened["state"],
            "version": opened["version"],
            "reading": opened["reading"],
            "documents": [d["sop_instance_uid"] for d in opened["documents"]],
        }

    def _post(self, uid: str, what: str, **body: str) -> None:
        self.reader.request("POST", f"api/studies/{uid}/{what}", {"password": PASSWORD, **body})

    def _reword(self, uid: str, text: str) -> int:
        opened = self.reader.open(uid)
        reading = Reading.model_validate(opened["reading"])
        reading = reading.model_copy(update={"impression": text})
        return int(self.reader.save(uid, opened["version"], reading)["version"])

    def _signed(self) -> None:
        uid, version = self._read(small("1", "Signed"), "radius_distal")
        self.reader.sign(uid, version, PASSWORD)
        self._post(uid, "addendum", text="Added later: Ж 骨.")
        self.reader.wait_for(uid, "committed")
        self._remember(uid, name="signed")

    def _withdrawn(self) -> None:
        uid, version = self._read(small("2", "Withdrawn", species="cat"))
        self.reader.sign(uid, version, PASSWORD)
        self._post(uid, "withdrawal", reason="quality", text="Another animal.")
        self.reader.wait_for(uid, "committed")
        self._remember(uid, name="withdrawn")

    def _draft(self) -> None:
        uid = self._arrive(small("3", "Draft", species="horse", side="L"))
        self.reader.wait_for(uid, "waiting")
        opened = self.reader.open(uid)
        template = Template.model_validate(opened["template"])
        reading = normal_reading(template, Reading.model_validate(opened["reading"]))
        some = dict(list(reading.observations.items())[:3])
        reading = reading.model_copy(update={"observations": some, "impression": "Half-way."})
        self.reader.save(uid, opened["version"], reading)
        self._remember(uid, name="draft")

    def _reopened(self) -> None:
        uid, version = self._read(small("4", "Reopened"))
        self.reader.sign(uid, version, PASSWORD)
        self.reader.wait_for(uid, "committed")
        body = {"reason": "The other side."}
        self.reader.request("POST", f"api/studies/{uid}/correction-of-report", body)
        self._reword(uid, "Being corrected.")
        self._remember(uid, name="reopened")

    def _of_a_site(self) -> None:
        nora = ReaderClient(self.clinic.service.address)
        nora.sign_in("nora", PASSWORD)
        uid, _ = self._read(small("5", "North"), reader=nora, title="NORTH")
        self._remember(uid, name="north", reader=nora)
        try:
            self.reader.open(uid)
        except RequestRefused:
            return
        raise AssertionError("ida must not see it")

    def _aside(self) -> None:
        other = small("1", "Signed")[0]
        other.PatientID = "FROZEN-1-OTHER"
        try:
            send([other], self.clinic.service.dimse_port, "SESAMOID")
        except ConnectionError:
            self.promised["aside"] = str(other.SOPInstanceUID)

    def _owed(self) -> None:
        uid, version = self._read(small("6", "Owed"), "ulna_distal")
        self.reader.sign(uid, version, PASSWORD)
        self._remember(uid, name="owed")

    def _killed(self) -> None:
        """What the journal has when the process is killed."""
        images = small("7", "Journal")
        self._keep(images)
        words = [sys.executable, "-m", "tests.deploy.freezing", "--journal", str(self.data)]
        subprocess.run(words, check=True, timeout=120)
        self.promised["journal"] = [str(made.SOPInstanceUID) for made in images]


def journalled(data: Path) -> None:
    """Acknowledge two objects that only the journal has, and end as a power cut ends it."""
    from dicom_service.store.digests import digest_of
    from dicom_service.web.dicomweb.incoming import read_instance_header

    store = Store(data)
    store.use_journal(1 << 20, every=0)
    for made in small("7", "Journal"):
        temp = store.incoming / f"{made.SOPInstanceUID}.dcm"
        with io.BytesIO() as buffer:
            made.save_as(buffer, enforce_file_format=True)
            temp.write_bytes(buffer.getvalue())
        header, digest = read_instance_header(temp), digest_of(temp)[0]
        store.accept_bytes(temp.read_bytes(), header, source="CAMERA", digest=digest)
        temp.unlink()
    os._exit(0)


def freeze(folder: Path) -> Path:
    """Write the frozen folder as one file; returns which."""
    packed = folder / f"schema-{VERSION}.tar.xz"
    folder.mkdir(parents=True, exist_ok=True)
    with tempfile.TemporaryDirectory() as temp, tarfile.open(packed, "w:xz") as archive:
        made = Freezing(Path(temp))
        made.run()
        with closing(Store(made.data, exclusive=False)) as store:
            check = store.audit_verify()
        assert not check.why
        made.promised["audit"] = {"count": check.count, "head": check.head}
        assert any((made.data / "journal").iterdir())
        for part in ("blobs", "journal", "device-uid"):
            archive.add(made.data / part, f"node/{part}")
        archive.add(_folded(made.data / "index.sqlite"), "node/index.sqlite")
        _to_postgres(made.data, Path(temp), archive)
        _add(archive, "promised.json", json.dumps(made.promised))
    return packed


def _to_postgres(data: Path, temp: Path, archive: tarfile.TarFile) -> None:
    """The same in PostgreSQL, as this version moves it there, and the files that this adds."""
    server = Server()
    try:
        url = server.database()
        back_up(data, temp / "backup", user="otto", at=datetime.now(UTC))
        restore(temp / "backup", temp / "moved", url)
        words = ["pg_dump", "--inserts", "--no-owner", "--no-privileges", url]
        dumped = subprocess.run(words, check=True, capture_output=True, text=True, timeout=120)
        lines = [line for line in dumped.stdout.splitlines() if not line.startswith("\\")]
        _add(archive, "postgres.sql", "\n".join(lines))
    finally:
        server.close()
    for file in sorted((temp / "moved").rglob("*")):
        inside = file.relative_to(temp / "moved")
        if file.is_file() and not (data / inside).is_file():
            archive.add(file, f"node-of-postgres/{inside}")


def _folded(index: Path) -> Path:
    """The index as one file: SQLite's own dump cannot make a full-text index again."""
    with closing(sqlite3.connect(index)) as base:
        base.execute("PRAGMA wal_checkpoint(TRUNCATE)")
    return index


def _add(archive: tarfile.TarFile, name: str, text: str) -> None:
    file = tarfile.TarInfo(name)
    data = text.encode()
    file.size = len(data)
    archive.addfile(file, io.BytesIO(data))


if __name__ == "__main__":
    if sys.argv[1] == "--journal":
        journalled(Path(sys.argv[2]))
    print(freeze(Path(sys.argv[1])))
