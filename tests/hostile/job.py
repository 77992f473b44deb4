"""The whole way of some studies through a store, seeded, resumable, and with witnesses.

What the job has been promised it says to a witness: a line for each object acknowledged, each
reading saved, each report signed, each document that the archive took. The lines are all that a
sender, a reader and an archive know; `invariants` holds the store to them.
"""

import functools
import hashlib
import io
import random
import uuid
from collections.abc import Callable
from datetime import UTC, datetime, timedelta
from pathlib import Path

from pydicom.dataset import Dataset, FileMetaDataset
from pydicom.uid import ExplicitVRLittleEndian

from dicom_service.errors import DifferentBytes
from dicom_service.intake.model import StudyFacts
from dicom_service.report.model import Reference, ReportContent
from dicom_service.review.model import Reading, Template
from dicom_service.store import InstanceHeader, NewDocument, Store, full_disk_named, reach

CR = "1.2.840.10008.5.1.4.1.1.1"
SR = "1.2.840.10008.5.1.4.1.1.88.33"
SAVES = 3
Say = Callable[[str], None]


def image_bytes(uid: str) -> bytes:
    """The object of a UID: always the same, of an odd length now and then."""
    seeded = random.Random(uid)
    return seeded.randbytes(seeded.choice((100, 4096, 9001)))


@functools.cache
def paper_bytes(uid: str) -> bytes:
    """The document of a UID, as a DICOM file."""
    paper = Dataset()
    paper.file_meta = FileMetaDataset()
    paper.file_meta.TransferSyntaxUID = ExplicitVRLittleEndian
    paper.SOPClassUID, paper.SOPInstanceUID = SR, uid
    paper.StudyInstanceUID, paper.SeriesInstanceUID = uid.rpartition(".8.")[0], f"{uid}.1"
    paper.Modality, paper.SeriesNumber = "SR", 9001
    paper.TextValue = random.Random(uid).randbytes(1500).hex()
    buffer = io.BytesIO()
    paper.save_as(buffer, enforce_file_format=True)
    return buffer.getvalue()


def reading_text(study: str, version: int) -> str:
    """What the reader enters as this version."""
    return f"{study} in version {version}"


def digest(data: bytes) -> str:
    """As the witnesses write it down."""
    return hashlib.sha256(data).hexdigest()


class Plan:
    """What is to happen to one study: so many images, then readings, a report, an addendum."""

    def __init__(self, seed: int, number: int) -> None:
        self.study = f"1.2.{seed}.{number}"
        images = random.Random(self.study).randint(1, 3)
        self.images = [f"{self.study}.9.{i}" for i in range(images)]
        self.report = f"{self.study}.8.1"
        self.measurements = f"{self.study}.8.2"
        self.addendum = f"{self.study}.8.3"
        self.template = f"{self.study}.8.0"

    @property
    def papers(self) -> list[str]:
        """What the archive must get."""
        return [self.report, self.measurements, self.addendum]


class Job:
    """Works on a store until nothing is left to do; begins wherever the last one ended.

    Parameters
    ----------
    say
        Takes a witness's line, such as "stored UID SHA256", after what it says is promised.
    """

    def __init__(self, store: Store, seed: int, say: Say, studies: int = 3) -> None:
        self.store = store
        self.say = say
        self.plans = [Plan(seed, number) for number in range(studies)]
        self._random = random.Random(f"order of {seed}")
        self._sent: set[str] = set()

    def run(self) -> None:
        """Do everything, in an order that the seed decides."""
        while steps := [step for plan in self.plans for step in self._possible(plan)]:
            self._random.choice(steps)()
            if self._random.random() < 0.3:
                self._deliver()
        while self._deliver():
            pass

    def _possible(self, plan: Plan) -> list[Callable[[], None]]:
        missing = [uid for uid in plan.images if uid not in self._sent]
        if missing:  # a sender that has heard nothing sends again
            return [lambda uid=uid: self._receive(plan, uid) for uid in missing]  # type: ignore[misc]
        row = self.store.study(plan.study)
        assert row is not None
        if row.state in ("arriving", "failed"):
            return [lambda: self._prepare(plan)]
        if row.state != "signed":
            return [lambda: self._save(plan) if row.version < SAVES else self._sign(plan)]
        known = {document.sop_instance_uid for document in self.store.documents(plan.study)}
        return [] if plan.addendum in known else [lambda: self._sign(plan, addendum=True)]

    def _receive(self, plan: Plan, uid: str) -> None:
        self._accept(plan, uid, image_bytes(uid))
        self._sent.add(uid)
        self.say(f"stored {uid} {digest(image_bytes(uid))}")
        if self._random.random() < 0.15:
            try:
                self._accept(plan, uid, b"other bytes")
            except DifferentBytes:
                self.say(f"aside {uid} {digest(b'other bytes')}")

    def _accept(self, plan: Plan, uid: str, data: bytes) -> None:
        """Two of three come in memory, as small objects do, the others as files."""
        header = self._header(plan, uid)
        if random.Random(f"way of {uid}").random() < 0.67:
            self.store.accept_bytes(data, header, source="CAMERA", digest=digest(data))
        else:
            self.store.accept(self._written(uid, data), header, source="CAMERA")

    def _written(self, uid: str, data: bytes | None = None) -> Path:
        temp = self.store.incoming / f"{uid}.part"
        with full_disk_named(temp.parent):  # as the receiver writes it
            temp.write_bytes(image_bytes(uid) if data is None else data)
        return temp

    def _header(self, plan: Plan, uid: str) -> InstanceHeader:
        return InstanceHeader(
            sop_instance_uid=uid,
            sop_class_uid=CR,
            study_uid=plan.study,
            series_uid=f"{plan.study}.1",
            transfer_syntax="1.2.840.10008.1.2.1",
            modality="CR",
        )

    def _prepare(self, plan: Plan) -> None:
        row = self.store.study(plan.study)
        assert row is not None
        template = Template(
            study_uid=plan.study, revision=1, regions=("carpus",), views=(), items=()
        )
        facts = StudyFacts(study_uid=plan.study)
        document = _paper(plan.template, "template")
        self.store.save_preparation(plan.study, row.last_object_at, facts, template, document)
        self.say(f"prepared {plan.study}")

    def _save(self, plan: Plan) -> None:
        version, _ = self.store.reading(plan.study)
        text = reading_text(plan.study, version + 1)
        self.store.save_reading(
            plan.study, Reading(impression=text), expected=version, user="ida", at=_now()
        )
        self.say(f"saved {plan.study} {version + 1}")

    def _sign(self, plan: Plan, *, addendum: bool = False) -> None:
        kind = "addendum" if addendum else "final"
        version, reading = self.store.reading(plan.study)
        before = (Reference(
            sop_instance_uid=plan.report, sop_class_uid=SR, series_uid="1", kind="final"
        ),) if addendum else ()  # fmt: skip
        content = ReportContent(
            kind=kind,  # type: ignore[arg-type]
            facts=StudyFacts(study_uid=plan.study),
            template=Template(study_uid=plan.study, regions=(), views=(), items=()),
            reading=reading,
            predecessors=before,
        )
        papers = [_paper(plan.addendum, kind)] if addendum else [
            _paper(plan.report, kind), _paper(plan.measurements, kind, "measurements")
        ]  # fmt: skip
        self.store.sign(
            plan.study,
            expected=version,
            content=content,
            documents=papers,
            destinations=["archive"],
            user="ida",
            at=_now(),
        )
        for paper in papers:
            self.say(f"signed {plan.study} {paper.sop_instance_uid}")

    def _deliver(self) -> bool:
        """One association with the archive, step by step as the node's delivery does it."""
        rows = self.store.claim_outbox(_now() + timedelta(hours=2), 1.0, 4)
        for row in rows:
            self.say(f"taken {row.sop_instance_uid} {digest(row.path.read_bytes())}")
        reach("send.stored")
        if rows:
            transaction = f"2.25.{uuid.uuid4().int}"
            self.store.outbox_sent([row.id for row in rows], transaction, _now())
            uids = [row.sop_instance_uid for row in rows]
            self.store.outbox_committed(transaction, uids, {})
            for uid in uids:
                self.say(f"committed {uid}")
        return bool(rows)


def _now() -> datetime:
    return datetime.now(UTC)


def _paper(uid: str, kind: str, role: str = "") -> NewDocument:
    return NewDocument(
        kind=kind,
        role=role or ("template" if kind == "template" else "report"),
        sop_instance_uid=uid,
        sop_class_uid=SR,
        series_uid=f"{uid}.1",
        data=paper_bytes(uid),
    )


def journaled(store: Store) -> None:
    """With segments so small that they are written over, and worked off when the job looks."""
    store.use_journal(1 << 20, every=0, sizes=(1 << 14, 2))


def work(folder: Path, seed: int, say: Say, studies: int = 3) -> None:
    """Open the folder as a node does, and do all that is left to do."""
    store = Store(folder)
    try:
        store.sweep()
        journaled(store)
        Job(store, seed, say, studies).run()
    finally:
        store.close()
