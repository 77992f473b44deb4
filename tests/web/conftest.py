"""A node's web pages over a real store, with a desk that the tests can steer."""

import hashlib
import io
import uuid
from collections.abc import Callable, Iterator
from datetime import UTC, datetime, timedelta
from pathlib import Path

import numpy as np
import pydicom
import pytest
from flask import Flask
from flask.testing import FlaskClient
from pydicom.dataset import Dataset, FileMetaDataset
from pydicom.uid import ExplicitVRLittleEndian, generate_uid
from werkzeug.test import TestResponse

from dicom_service.errors import NotAllowed, NotFound, Refused, VersionConflict
from dicom_service.intake.model import StudyFacts
from dicom_service.passwords import hash_password
from dicom_service.review.model import Coverage, Reading, Template
from dicom_service.settings import Settings
from dicom_service.store import Store
from dicom_service.web import create_app
from dicom_service.web.dicomweb.incoming import read_instance_header
from dicom_service.workflow import Correction, OpenReading, Preview, Saved
from dicom_service.workflow.model import Advice, Choices
from dicom_service.workflow.prior_model import Priors, SearchShown

PASSWORD = "correct horse battery"
CR, PDF, SR = (
    "1.2.840.10008.5.1.4.1.1.1",
    "1.2.840.10008.5.1.4.1.1.104.1",
    "1.2.840.10008.5.1.4.1.1.88.33",
)
FOR_PROCESSING = "1.2.840.10008.5.1.4.1.1.1.1.1"
PASSWORD_HASH = hash_password(PASSWORD)
NO_ADVICE = Advice(proposals=(), differentials=(), next_steps=(), certainties={}, aggressiveness={})


class Clock:
    """Stands still until it is moved."""

    def __init__(self) -> None:
        self.now = datetime(2026, 3, 1, 12, tzinfo=UTC)

    def __call__(self) -> datetime:
        return self.now

    def forward(self, **amount: float) -> None:
        self.now += timedelta(**amount)


class FakeDesk:
    """Keeps one reading for every study it was told of."""

    def __init__(self) -> None:
        self.readings: dict[str, tuple[int, Reading]] = {}
        self.signed: list[tuple[str, int, str]] = []
        self.addenda: list[tuple[str, str, str]] = []
        self.corrected: list[tuple[str, str, Correction, str]] = []
        self.species: list[tuple[str, str, str]] = []
        self.reopened: list[tuple[str, str, str]] = []
        self.given_up: list[tuple[str, str]] = []
        self.withdrawn: list[tuple[str, str, str, str]] = []
        self.trouble: Exception | None = None

    def _at(self, study_uid: str) -> tuple[int, Reading]:
        if self.trouble:
            raise self.trouble
        if study_uid not in self.readings:
            raise NotFound(f"No study {study_uid} is on this node.")
        return self.readings[study_uid]

    def open(self, study_uid: str) -> OpenReading:
        version, reading = self._at(study_uid)
        return OpenReading(
            version=version,
            state="waiting",
            reader="",
            facts=StudyFacts(study_uid=study_uid),
            template=Template(study_uid=study_uid, regions=(), views=(), items=()),
            reading=reading,
            coverage=Coverage(asked=0, answered=0, sections={}),
            gaps=(),
            documents=(),
            descriptors={},
            choices=Choices(views=(), regions=(), sides=()),
            advice=NO_ADVICE,
        )

    def save(self, study_uid: str, version: int, reading: Reading, user: str) -> Saved:
        current, _ = self._at(study_uid)
        if version != current:
            raise VersionConflict("The reading was changed in another window.", current)
        self.readings[study_uid] = (current + 1, reading)
        return Saved(
            version=current + 1,
            reading=reading,
            coverage=Coverage(asked=0, answered=0, sections={}),
            gaps=(),
            saved_at=datetime(2026, 3, 1, tzinfo=UTC),
            advice=NO_ADVICE,
        )

    def priors(self, study_uid: str) -> Priors:
        self._at(study_uid)
        search = SearchShown(state="off", words="no archive is asked")
        return Priors(search=search, studies=(), observations={}, measurements={})

    def preview(self, study_uid: str) -> Preview:
        return Preview(findings_text="", text=self._at(study_uid)[1].impression, summary="")

    def correct(self, study_uid: str, image_uid: str, said: Correction, user: str) -> None:
        self._at(study_uid)
        self.corrected.append((study_uid, image_uid, said, user))

    def correct_species(self, study_uid: str, species: str, user: str) -> None:
        self._at(study_uid)
        if species not in ("dog", "cat", "horse"):
            raise Refused(f"There is no species “{species}”.")
        self.species.append((study_uid, species, user))

    def sign(self, study_uid: str, version: int, user: str, password: str | None) -> None:
        if password not in (None, PASSWORD):
            raise NotAllowed("The password is not right. Nothing was signed.")
        self.signed.append((study_uid, version, user))

    def add_addendum(self, study_uid: str, text: str, user: str, password: str) -> None:
        self.addenda.append((study_uid, text, user))

    def verify(self, user: str, password: str, study_uid: str) -> None:
        if password != PASSWORD:
            raise NotAllowed("The password is not right. Nothing was signed.")

    def reopen_for_correction(self, study_uid: str, user: str, reason: str) -> None:
        self.reopened.append((study_uid, user, reason))

    def give_up_correction(self, study_uid: str, user: str) -> None:
        self.given_up.append((study_uid, user))

    def withdraw(self, study_uid: str, reason: str, text: str, user: str, password: str) -> None:
        self.verify(user, password, study_uid)
        self.withdrawn.append((study_uid, reason, text, user))

    def draft_document(self, study_uid: str, user: str) -> bytes:
        self._at(study_uid)
        return f"a draft of {user}".encode()

    def report_pdf(self, study_uid: str, document_uid: str = "") -> bytes:
        self._at(study_uid)
        return f"%PDF-{document_uid}".encode()

    def report_text(self, study_uid: str) -> str:
        return f"IMPRESSION\n{self._at(study_uid)[1].impression}"

    def report_fhir(self, study_uid: str) -> str:
        self._at(study_uid)
        return '{"resourceType": "Bundle"}'

    def teaching_file(self, study_uid: str) -> bytes:
        self._at(study_uid)
        return b"PK"

    def template_document(self, study_uid: str) -> bytes:
        self._at(study_uid)
        return b"a DICOM file"


class Buffered(FlaskClient):
    """Reads every answer to its end, as a server does, so that files are closed."""

    def open(self, *arguments, **options) -> TestResponse:
        return super().open(*arguments, **{"buffered": True, **options})


class SignedIn:
    """A client with a session; changes carry its token unless the test says otherwise."""

    def __init__(self, app: Flask, user: str) -> None:
        self.client = app.test_client()
        self.token = "the token for changes"
        site = app.extensions["sesamoid"]
        cookie = uuid.uuid4().hex  # straight into the store: checking a password is slow by design
        digest = hashlib.sha256(cookie.encode()).hexdigest()
        site.store.open_session(user, digest, self.token, site.clock() + timedelta(hours=8))
        self.client.set_cookie("sesamoid", cookie)

    def get(self, path: str, **options) -> TestResponse:
        return self.client.get(path, **options)

    def send(self, method: str, path: str, headers: dict | None = None, **options) -> TestResponse:
        headers = {"X-Sesamoid-Token": self.token} | (headers or {})
        return self.client.open(path, method=method, headers=headers, **options)


@pytest.fixture
def clock() -> Clock:
    return Clock()


@pytest.fixture
def store(tmp_path) -> Iterator[Store]:
    store = Store(tmp_path / "node")
    store.add_user("ida", "Vreeland^Ida^^Dr", PASSWORD_HASH, ["reader"])
    store.add_user("otto", "Admin^Otto", PASSWORD_HASH, ["administrator"])
    yield store
    store.close()


@pytest.fixture
def desk() -> FakeDesk:
    return FakeDesk()


@pytest.fixture
def woken() -> list[str]:
    return []


@pytest.fixture
def viewer(tmp_path) -> Path:
    """A viewer's folder with one file of each kind that matters."""
    dist = tmp_path / "viewer" / "dist"
    dist.mkdir(parents=True)
    (dist / "index.html").write_text(
        "<html><script>window.PUBLIC_URL='/'</script><script defer src='/a.js'></script></html>"
    )
    (dist / "app.bundle.0123456789abcdef.js").write_text("1")
    (dist / "8097.bundle.0123456789abcdef.js").write_text("2")
    (dist / "codec.wasm").write_bytes(b"\0asm")
    (dist / "app-config.js").write_text("theirs")
    (tmp_path / "viewer" / "secret.txt").write_text("behind the wall")
    return dist


@pytest.fixture
def app(tmp_path, store, desk, clock, viewer, woken):
    settings = Settings(data_folder=tmp_path / "node", session_hours=8)
    app = create_app(
        settings, store, desk, viewer=viewer, clock=clock, on_stored=lambda: woken.append("x")
    )
    app.test_client_class = Buffered
    return app


@pytest.fixture
def client(app) -> FlaskClient:
    return app.test_client()


@pytest.fixture
def reader(app) -> SignedIn:
    return SignedIn(app, "ida")


def dataset(
    *,
    sop_class: str = CR,
    study: str | None = None,
    series: str | None = None,
    syntax: str = ExplicitVRLittleEndian,
    **values: object,
) -> Dataset:
    """An object without pixels, with everything that identifies it."""
    made = Dataset()
    made.file_meta = FileMetaDataset()
    made.file_meta.TransferSyntaxUID = syntax
    made.SOPClassUID = sop_class
    made.SOPInstanceUID = generate_uid()
    made.file_meta.MediaStorageSOPClassUID = sop_class
    made.file_meta.MediaStorageSOPInstanceUID = made.SOPInstanceUID
    made.StudyInstanceUID = study or generate_uid()
    made.SeriesInstanceUID = series or generate_uid()
    made.SpecificCharacterSet = "ISO_IR 100"
    made.PatientName, made.PatientID, made.Modality = "Brandt^Bésame", "P1", "CR"
    made.StudyDate, made.StudyTime = "20260301", "101500"
    made.StudyDescription, made.AccessionNumber = "Carpus left", "A1"
    made.SeriesNumber, made.InstanceNumber = 1, 1
    for name, value in values.items():
        setattr(made, name, value)
    return made


def image(pixels: np.ndarray | None = None, **values: object) -> Dataset:
    """A 16-bit image; `pixels` are frames × rows × columns or rows × columns."""
    if pixels is None:
        pixels = np.arange(48, dtype=np.uint16).reshape(6, 8) * 80
    made = dataset(**values)
    made.Rows, made.Columns = pixels.shape[-2:]
    if pixels.ndim == 3:
        made.NumberOfFrames = len(pixels)
    made.SamplesPerPixel = 1
    made.BitsAllocated, made.BitsStored, made.HighBit, made.PixelRepresentation = 16, 12, 11, 0
    if "PhotometricInterpretation" not in made:
        made.PhotometricInterpretation = "MONOCHROME2"
    made.PixelData = pixels.astype("<u2").tobytes()
    return made


def file_of(made: Dataset) -> bytes:
    """The object as a DICOM file."""
    out = io.BytesIO()
    pydicom.dcmwrite(out, made, enforce_file_format=True)
    return out.getvalue()


@pytest.fixture
def keep(store) -> Callable[..., str]:
    """Puts objects into the store and gives back the address of the last one."""

    def put(*objects: Dataset) -> str:
        for made in objects:
            temp = store.incoming / f"{uuid.uuid4().hex}.dcm"
            temp.write_bytes(file_of(made))
            store.accept(temp, read_instance_header(temp), source="test")
        return address(objects[-1])

    return put


def address(made: Dataset) -> str:
    """Where the object is found over DICOMweb."""
    return (
        f"/dicomweb/studies/{made.StudyInstanceUID}/series/{made.SeriesInstanceUID}"
        f"/instances/{made.SOPInstanceUID}"
    )
