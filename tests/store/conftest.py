"""A store in a fresh folder, and short words for what happens to it."""

import io
import itertools
from datetime import UTC, datetime, timedelta

import pytest
from pydicom.dataset import Dataset, FileMetaDataset
from pydicom.uid import ExplicitVRLittleEndian

from dicom_service.intake.model import StudyFacts
from dicom_service.report.model import Reference, ReportContent
from dicom_service.review.model import Reading, Template
from dicom_service.store import InstanceHeader, NewDocument, Store

STUDY = "1.2.3"
CR = "1.2.840.10008.5.1.4.1.1.1"
COMPREHENSIVE_SR = "1.2.840.10008.5.1.4.1.1.88.33"


class Kit:
    """Puts a store into a state."""

    study = STUDY

    def __init__(self, folder, index_url="") -> None:
        self.folder = folder
        self.index_url = index_url
        self.store = self.open()
        self._numbers = itertools.count(1)

    def open(self, **options) -> Store:
        return Store(self.folder, index_url=self.index_url, **options)

    def restart(self) -> Store:
        self.store.close()
        self.store = self.open()
        return self.store

    def header(self, uid, study=STUDY, sop_class=CR, **fields) -> InstanceHeader:
        return InstanceHeader(
            sop_instance_uid=uid,
            sop_class_uid=sop_class,
            study_uid=study,
            series_uid=f"{study}.1",
            transfer_syntax="1.2.840.10008.1.2.1",
            modality="CR" if sop_class == CR else "PR",
            **fields,
        )

    def temp(self, data=b"pixels"):
        file = self.store.incoming / f"{next(self._numbers)}.part"
        file.write_bytes(data)
        return file

    def image(self, uid="", data=b"pixels", source="CAMERA", **fields):
        uid = uid or f"1.9.{next(self._numbers)}"
        return self.store.accept(self.temp(data), self.header(uid, **fields), source=source)

    def prior(self, uid="", data=b"pixels", **fields):
        uid = uid or f"1.9.{next(self._numbers)}"
        header = self.header(uid, **fields)
        return self.store.accept(self.temp(data), header, source="ARCHIVE", prior=True)

    def other(self, **fields):
        return self.image(sop_class="1.2.840.10008.5.1.4.1.1.11.1", **fields)

    def prepare(self, study=STUDY, seen_at=None, document=None, destinations=()):
        row = self.store.study(study)
        revision = row.template_revision + 1
        template = Template(
            study_uid=study, revision=revision, regions=("carpus",), views=(), items=()
        )
        facts = StudyFacts(study_uid=study)
        return self.store.save_preparation(
            study,
            seen_at or row.last_object_at,
            facts,
            template,
            document,
            destinations=destinations,
        )

    def save(self, text="", study=STUDY, expected=None):
        version = self.store.study(study).version if expected is None else expected
        reading = Reading(impression=text)
        return self.store.save_reading(
            study, reading, expected=version, user="ida", at=datetime.now(UTC)
        )

    def correct(self, study=STUDY):
        self.store.save_correction(study, "1.2.3", "{}", user="ida", at=datetime.now(UTC))

    def document(self, kind="final", role="report") -> NewDocument:
        dataset = Dataset()
        dataset.file_meta = FileMetaDataset()
        dataset.file_meta.TransferSyntaxUID = ExplicitVRLittleEndian
        dataset.SOPClassUID = COMPREHENSIVE_SR
        dataset.SOPInstanceUID = f"1.8.{next(self._numbers)}"
        dataset.StudyInstanceUID, dataset.SeriesInstanceUID = STUDY, "1.8"
        dataset.Modality, dataset.SeriesNumber = "SR", 9001
        buffer = io.BytesIO()
        dataset.save_as(buffer, enforce_file_format=True)
        return NewDocument(
            kind=kind,
            role=role,
            sop_instance_uid=dataset.SOPInstanceUID,
            sop_class_uid=dataset.SOPClassUID,
            series_uid="1.8",
            data=buffer.getvalue(),
        )

    def content(self, kind="final", after=()) -> ReportContent:
        return ReportContent(
            kind=kind,
            facts=StudyFacts(study_uid=STUDY),
            template=Template(study_uid=STUDY, regions=(), views=(), items=()),
            reading=Reading(),
            predecessors=tuple(
                Reference(
                    sop_instance_uid=uid, sop_class_uid=COMPREHENSIVE_SR, series_uid="1", kind=kind
                )
                for uid in after
            ),
        )

    def sign(self, kind="final", expected=None, documents=None, after=None, to=("archive",)):
        version = self.store.study(STUDY).version if expected is None else expected
        if after is None:
            after = [d.sop_instance_uid for d in self.store.documents(STUDY)][-1:]
        self.store.sign(
            STUDY,
            expected=version,
            content=self.content(kind, () if kind == "final" else after),
            documents=documents or [self.document(kind)],
            destinations=to,
            user="ida",
            at=datetime.now(UTC),
        )

    def reopen(self) -> None:
        self.store.reopen(STUDY, reason="wrong side", user="ida", at=datetime.now(UTC))

    def give_up(self) -> None:
        self.store.give_up(STUDY, user="ida", at=datetime.now(UTC))

    def withdraw(self, named=None, to=("archive",)) -> None:
        known = [d.sop_instance_uid for d in self.store.documents(STUDY)]
        self.store.withdraw(
            STUDY,
            document=self.document("withdrawal", "withdrawal"),
            named=known if named is None else named,
            destinations=to,
            user="ida",
            at=datetime.now(UTC),
        )

    def state(self) -> str:
        return self.store.study(STUDY).state

    def signed(self) -> None:
        """From nothing to a signed study."""
        self.image()
        self.prepare()
        self.save()
        self.sign()


ONE_ENGINE_A_RUN = {
    "study_states",
    "list_users_audit",
    "listing",
    "finding",
    "priors",
    "opening",
    "outbox",
    "unsure",
}
"""Tests that have both engines only with `-m long`: what differs is in the other files."""


def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    for item in items:
        chosen = getattr(item, "callspec", None)
        name = item.path.stem.removeprefix("test_")
        if chosen and chosen.params.get("engine") == "postgres" and name in ONE_ENGINE_A_RUN:
            item.add_marker(pytest.mark.long)


@pytest.fixture(params=["sqlite", "postgres"])
def engine(request):
    """Every test of a store is one of both engines."""
    return request.param


@pytest.fixture
def new_index(engine, request):
    """The URL of an empty index, as often as it is called."""
    if engine == "sqlite":
        yield lambda: ""
        return
    server, taken = request.getfixturevalue("postgres"), []

    def new() -> str:
        taken.append(server.database())
        return taken[-1]

    yield new
    for url in taken:
        server.give_back(url)


@pytest.fixture
def kit(tmp_path, new_index):
    kit = Kit(tmp_path / "data", new_index())
    yield kit
    kit.store.close()


@pytest.fixture
def sqlite_kit(tmp_path):
    """For what only SQLite has."""
    kit = Kit(tmp_path / "data")
    yield kit
    kit.store.close()


@pytest.fixture
def later():
    """A moment that many seconds from now."""
    return lambda seconds=0.0: datetime.now(UTC) + timedelta(seconds=seconds)


@pytest.fixture
def journal(kit):
    """A store with a journal that is worked off only when somebody looks."""
    kit.store.use_journal(1 << 20, every=0, sizes=(1 << 16, 2))
    return kit
