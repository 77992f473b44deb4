"""`sesamoid selftest`: the whole job once, without a browser, each step timed."""

import argparse
import secrets
import tempfile
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from dicom_service import report
from dicom_service.passwords import hash_password
from dicom_service.review.model import Reading, Template
from dicom_service.settings import Settings
from test_pacs.clinic import Clinic
from test_pacs.reader import ReaderClient, normal_reading, with_finding
from test_pacs.sending import send
from test_pacs.studies import small_study


@contextmanager
def _step(name: str) -> Iterator[None]:
    start = time.perf_counter()
    try:
        yield
    except Exception:
        print(f"FAILED  {name}", flush=True)
        raise
    print(f"{time.perf_counter() - start:7.3f} s  {name}", flush=True)


def run(_options: argparse.Namespace, _settings: Settings) -> int:
    """Route, prepare, read, sign, deliver and read back; 1 when any step fails."""
    try:
        with tempfile.TemporaryDirectory(prefix="sesamoid-") as folder:
            _whole_job(Path(folder))
    except Exception as error:  # noqa: BLE001 - whatever failed, it is said and the status is 1
        print(f"{type(error).__name__}: {error}")
        return 1
    print("The whole job was done.")
    return 0


def _whole_job(folder: Path) -> None:
    password = secrets.token_urlsafe(9)
    images = small_study()
    uid = str(images[0].StudyInstanceUID)
    with _step("start an archive and a node"):
        clinic = Clinic(folder)
        clinic.start()
    try:
        clinic.service.store.add_user(
            "selftest", "Selftest^Sam", hash_password(password), ["reader"]
        )
        with _step(f"send {len(images)} images to the archive, which routes them"):
            send(images, clinic.archive.port, clinic.archive.ae_title)
        client = ReaderClient(clinic.service.address)
        client.sign_in("selftest", password)
        with _step("settle (1 s of quiet) and prepare the template"):
            client.wait_for(uid, "waiting")
        with _step("read: every structure on every view, one finding, one length"):
            version = _read(client, uid)
        with _step("sign: build, check, queue"):
            client.sign(uid, version, password)
        with _step("deliver and commit"):
            client.wait_for(uid, "committed", "refused")
        with _step("read the report back from the archive"):
            _read_back(clinic, client, uid)
    finally:
        clinic.stop()


def _read(client: ReaderClient, uid: str) -> int:
    opened = client.open(uid)
    template = Template.model_validate(opened["template"])
    reading = normal_reading(template, Reading.model_validate(opened["reading"]))
    reading = with_finding(
        template,
        reading,
        "radius_distal",
        ["fracture_line"],
        points=[(60.0, 60.0), (60.0, 90.0)],
        impression="Fracture of the distal radius.",
    )
    saved = client.save(uid, opened["version"], reading)
    blocking = [gap["text"] for gap in saved["gaps"] if gap["blocking"]]
    if blocking:
        raise RuntimeError(f"the scripted reading left something open: {blocking[0]}")
    return int(saved["version"])


def _read_back(clinic: Clinic, client: ReaderClient, uid: str) -> None:
    stored = [d for d in clinic.archive.stored(uid) if d.Modality == "SR"]
    kept = Reading.model_validate(client.open(uid)["reading"])
    reports = [d for d in stored if d.ConceptNameCodeSequence[0].CodeValue == "18748-4"]
    if len(stored) != 2 or len(reports) != 1:
        raise RuntimeError(f"the archive holds {len(stored)} documents of this study, not 2")
    if report.read(reports[0]).reading != kept:
        raise RuntimeError("the report in the archive is not what was signed")
