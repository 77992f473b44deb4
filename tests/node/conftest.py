"""A running node on loopback, objects to send to it, and an archive to receive from it."""

import io
import socket
import time
from datetime import UTC, datetime

import numpy as np
import pytest
from pydicom.dataset import Dataset, FileMetaDataset
from pydicom.uid import ExplicitVRLittleEndian, generate_uid
from pynetdicom import AE
from pynetdicom.dimse_primitives import C_STORE

from dicom_service.errors import SetupError
from dicom_service.intake.model import StudyFacts
from dicom_service.node import Node
from dicom_service.report.model import Reference, ReportContent
from dicom_service.review.model import Reading, Template
from dicom_service.settings import Peer, Settings
from dicom_service.store import NewDocument, Store

CR = "1.2.840.10008.5.1.4.1.1.1"
COMPREHENSIVE_SR = "1.2.840.10008.5.1.4.1.1.88.33"


HANG_SECONDS = 60.0
"""What has not happened by then never will; it measures nothing and only ends a hang."""


def wait_for(condition, seconds=HANG_SECONDS):
    """The first true value of `condition`; the limit only ends a hang."""
    deadline = time.monotonic() + seconds
    while True:
        value = condition()
        if value:
            return value
        assert time.monotonic() < deadline, "it never happened"
        time.sleep(0.01)


def is_open(connection: socket.socket) -> bool:
    """Whether the other side has not hung up on a connection, and has said nothing."""
    before = connection.gettimeout()
    connection.setblocking(False)
    try:
        return connection.recv(1, socket.MSG_PEEK) != b""
    except BlockingIOError:
        return True
    except OSError:
        return False
    finally:
        connection.settimeout(before)


def dataset(sop_class=CR, study="", **values) -> Dataset:
    made = Dataset()
    made.file_meta = FileMetaDataset()
    made.file_meta.TransferSyntaxUID = ExplicitVRLittleEndian
    made.SOPClassUID = sop_class
    made.SOPInstanceUID = generate_uid()
    made.file_meta.MediaStorageSOPClassUID = made.SOPClassUID
    made.file_meta.MediaStorageSOPInstanceUID = made.SOPInstanceUID
    made.StudyInstanceUID = study or generate_uid()
    made.SeriesInstanceUID = generate_uid()
    made.PatientName, made.PatientID = "Vreeland^Rex", "A-1"
    made.Modality = "SR" if sop_class == COMPREHENSIVE_SR else "CR"
    made.SeriesNumber = made.InstanceNumber = 1
    for keyword, value in values.items():
        setattr(made, keyword, value)
    return made


def image(rows=64, columns=48, bits=16, **values) -> Dataset:
    made = dataset(**values)
    made.Rows, made.Columns = rows, columns
    made.BitsAllocated = made.BitsStored = bits
    made.HighBit, made.PixelRepresentation, made.SamplesPerPixel = bits - 1, 0, 1
    made.PhotometricInterpretation = "MONOCHROME2"
    ramp = np.arange(rows * columns, dtype=np.uint16 if bits == 16 else np.uint8)
    made.PixelData = ramp.tobytes()
    return made


def written(made: Dataset) -> bytes:
    buffer = io.BytesIO()
    made.save_as(buffer, enforce_file_format=True)
    return buffer.getvalue()


def associate(port, contexts, *, calling="CAMERA", called="SESAMOID"):
    entity = AE(calling)
    entity.acse_timeout = entity.dimse_timeout = entity.network_timeout = 10
    for sop_class, syntax in contexts:
        entity.add_requested_context(sop_class, syntax)
    return entity.associate("127.0.0.1", port, ae_title=called)


def send_raw(association, data, sop_class, sop_instance) -> Dataset:
    """Send bytes, whatever they are, as the data set of a C-STORE request."""
    request = C_STORE()
    request.MessageID, request.Priority = 1, 2
    request.AffectedSOPClassUID, request.AffectedSOPInstanceUID = sop_class, sop_instance
    request.DataSet = io.BytesIO(data)
    association._reactor_checkpoint.clear()
    wait_for(lambda: association._is_paused)
    association.dimse.send_msg(request, association.accepted_contexts[0].context_id)
    _, answer = association.dimse.get_msg(block=True)
    association._reactor_checkpoint.set()
    status = Dataset()
    if answer is not None:
        status.Status, status.ErrorComment = answer.Status, answer.ErrorComment or ""
    return status


class Running:
    """A node with its store."""

    def __init__(self, folder, on_settled=None, **options) -> None:
        values = {
            "dimse_port": 0,
            "settle_seconds": 0.3,
            "retry_first_seconds": 0.1,
            "retry_longest_seconds": 0.4,
            "peer_timeout_seconds": 5.0,
        } | options
        self.settings = Settings(data_folder=folder / "node", **values)
        self.settled: list[tuple[str, float]] = []
        self.store = Store(folder / "node", index_url=self.settings.index_url)
        self.store.sweep()
        self.node = Node(self.settings, self.store, on_settled or self.prepare)
        try:
            self.node.start()
        except SetupError:
            self.store.close()
            raise
        self.port = self.node.dimse_port

    def stop(self) -> None:
        self.node.stop()
        self.store.close()

    def prepare(self, study_uid) -> None:
        row = self.store.study(study_uid)
        late = (datetime.now(UTC) - row.last_object_at).total_seconds()
        self.settled.append((study_uid, late))
        template = Template(
            study_uid=study_uid,
            revision=row.template_revision + 1,
            regions=("carpus",),
            views=(),
            items=(),
        )
        facts = StudyFacts(study_uid=study_uid)
        self.store.save_preparation(study_uid, row.last_object_at, facts, template)

    def leftovers(self) -> list:
        return list(self.store.incoming.iterdir())

    def associate(self, contexts=((CR, ExplicitVRLittleEndian),), **names):
        association = associate(self.port, contexts, **names)
        assert association.is_established
        return association

    def send(self, *datasets) -> list[Dataset]:
        association = self.associate(
            {(d.SOPClassUID, d.file_meta.TransferSyntaxUID) for d in datasets}
        )
        answers = [association.send_c_store(d) for d in datasets]
        association.release()
        return answers

    def ready_study(self) -> str:
        """A study that has arrived and been saved, ready to be signed."""
        made = image()
        assert self.send(made)[0].Status == 0
        study = str(made.StudyInstanceUID)
        wait_for(lambda: self.store.study(study).state == "waiting")
        self.store.save_reading(study, Reading(), expected=0, user="ida", at=datetime.now(UTC))
        return study

    def sign(self, study, kind="final", sop_class=COMPREHENSIVE_SR, expected=1) -> str:
        """Sign a report of the study; returns its UID."""
        before = [d.sop_instance_uid for d in self.store.documents(study)][-1:]
        made = dataset(sop_class, study)
        document = NewDocument(
            kind=kind,
            role="report",
            sop_instance_uid=made.SOPInstanceUID,
            sop_class_uid=sop_class,
            series_uid=made.SeriesInstanceUID,
            data=written(made),
        )
        content = ReportContent(
            kind=kind,
            facts=StudyFacts(study_uid=study),
            template=Template(study_uid=study, regions=(), views=(), items=()),
            reading=Reading(),
            predecessors=tuple(
                Reference(sop_instance_uid=u, sop_class_uid=sop_class, series_uid="1", kind="final")
                for u in before
            ),
        )
        self.store.sign(
            study,
            expected=expected,
            content=content,
            documents=[document],
            destinations=[self.settings.archive],
            user="ida",
            at=datetime.now(UTC),
        )
        self.node.wake()
        return str(made.SOPInstanceUID)

    def delivery(self, study) -> tuple[str, str]:
        row = self.store.study(study)
        return row.delivery, row.delivery_detail


@pytest.fixture
def start(tmp_path):
    """Starts nodes, each in a folder of its own unless told, and stops them afterwards."""
    running = []

    def begin(folder=None, **options) -> Running:
        if folder is None:
            folder = tmp_path / f"clinic-{len(running)}"
            folder.mkdir()
        running.append(Running(folder, **options))
        return running[-1]

    yield begin
    for node in running:
        node.stop()


@pytest.fixture
def running(start):
    return start()


@pytest.fixture
def delivering(start, archive):
    """Starts a node whose reports go to the archive."""

    def begin(commitment=True, **options) -> Running:
        peer = Peer(
            name="archive",
            ae_title=archive.ae_title,
            port=archive.port,
            commitment=commitment,
        )
        options = {"archive": "archive", "peers": (peer,), "settle_seconds": 0.05} | options
        node = start(**options)
        archive.peers["SESAMOID"] = ("127.0.0.1", node.port)
        return node

    return begin
