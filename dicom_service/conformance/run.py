"""One examination of one peer: associations, a listener for what the peer opens, invented data."""

import threading
import time
import uuid
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from datetime import UTC, datetime
from functools import cached_property
from typing import Any

from pydicom.dataset import Dataset
from pydicom.uid import generate_uid
from pynetdicom import AE, build_role, evt
from pynetdicom.association import Association

from dicom_service.conformance.material import documents
from dicom_service.conformance.model import Target
from dicom_service.node.echo import call, calling_entity
from dicom_service.node.parting import partable
from dicom_service.node.services import (
    COMMITMENT,
    STORED_CLASSES,
    TRANSFER_SYNTAXES,
    UNCOMPRESSED,
    VERIFICATION,
)
from dicom_service.settings import Settings
from test_pacs.studies import small_study

SPECIES = {"dog": "CR", "cat": "DX", "horse": "CR"}
"""Species -> kind of image that its study is made of."""
MARK = "SESAMOID-TEST"
_ANSWER_SECONDS = 0.2
"""How long the answer to a report on the asking association may take to leave."""
FIND, MOVE, GET = (f"1.2.840.10008.5.1.4.1.2.2.{number}" for number in (1, 2, 3))


class Run:
    """The state of an examination; close it to stop listening.

    Parameters
    ----------
    target
        Whom to examine.
    settings
        Our own AE title, the port to listen on, the data folder for the audit.
    """

    def __init__(self, target: Target, settings: Settings) -> None:
        self.target = target
        self.settings = settings
        self.started = datetime.now(UTC)
        self.patient_id = f"{MARK}-{self.started:%Y%m%d-%H%M%S}-{uuid.uuid4().hex[:4]}"
        self.studies = {species: self._study(species) for species in SPECIES}
        self.kept: dict[str, Dataset] = {}
        """Objects that the peer took, by SOP Instance UID: they stay there."""
        self.reports: dict[str, tuple[Dataset, bool]] = {}
        """Commitment reports by Transaction UID; True: on an association that the peer opened."""
        self._asked: set[str] = set()
        self.moved: dict[str, Dataset] = {}
        self.called_by: set[str] = set()
        self.reachable: bool | None = None
        self._changed = threading.Condition()
        self._listener: AE | None = None
        self.listening = self._listen()

    def _study(self, species: str) -> list[Dataset]:
        made = small_study(species=species, kind=SPECIES[species])  # type: ignore[arg-type]
        for image in made:
            image.PatientID = f"{self.patient_id}-{species}".upper()
            image.PatientName = f"{MARK}^{species.capitalize()}"
            image.ResponsiblePerson = f"{MARK}^Owner"
            image.AccessionNumber = self.patient_id[-11:]
            image.StudyDescription = f"{MARK} {image.StudyDescription}, delete me"
        return made

    @cached_property
    def documents(self) -> dict[str, Dataset]:
        """The dog's images and what was signed about them, by file name."""
        return documents(self.studies["dog"], self.settings)

    @property
    def report(self) -> Dataset:
        """The signed report of the invented dog."""
        return self.documents["final.dcm"]

    @property
    def addendum(self) -> Dataset:
        """Its continuation."""
        return self.documents["addendum.dcm"]

    # What the peer opens to us

    def _listen(self) -> str:
        """Listen as the node does; "" or why that is not possible."""
        entity = AE(self.settings.ae_title)
        entity.add_supported_context(VERIFICATION)
        for sop_class in STORED_CLASSES:
            entity.add_supported_context(sop_class, list(TRANSFER_SYNTAXES))
        entity.add_supported_context(COMMITMENT, scu_role=False, scp_role=True)
        address = (self.settings.dimse_host, self.settings.dimse_port)
        handlers: list[Any] = [
            (evt.EVT_C_ECHO, self._echoed),
            (evt.EVT_C_STORE, self._stored),
            (evt.EVT_N_EVENT_REPORT, lambda event: self._reported(event, separate=True)),
        ]
        try:
            server = entity.start_server(address, block=False, evt_handlers=handlers)
        except OSError as error:
            return f"port {address[1]} of this machine cannot be listened on ({error.strerror})"
        self.port = int(server.server_address[1]) if server else address[1]
        self._listener = entity
        return ""

    def close(self) -> None:
        """Stop listening."""
        if self._listener is not None:
            self._listener.shutdown()

    def _note_caller(self, event: Any) -> None:
        with self._changed:
            self.called_by.add(str(event.assoc.requestor.ae_title).strip())
            self._changed.notify_all()

    def _echoed(self, event: Any) -> int:
        self._note_caller(event)
        return 0x0000

    def _stored(self, event: Any) -> int:
        self._note_caller(event)
        dataset = event.dataset
        with self._changed:
            self.moved[str(dataset.SOPInstanceUID)] = dataset
            self._changed.notify_all()
        return 0x0000

    def _reported(self, event: Any, *, separate: bool) -> tuple[int, None]:
        if separate:
            self._note_caller(event)
        report = event.event_information
        with self._changed:
            self.reports[str(report.get("TransactionUID", ""))] = (report, separate)
            self._changed.notify_all()
        return 0x0000, None

    def new_transaction(self) -> str:
        """The UID of a commitment request that is about to be made."""
        uid = fresh_uid()
        self._asked.add(uid)
        return uid

    def stray_report(self) -> str:
        """The Transaction UID of a report that nobody asked for; "" when there was none."""
        return next(iter(set(self.reports) - self._asked), "")

    def wait_report(self, transaction: str) -> tuple[Dataset, bool] | None:
        """The commitment report of a transaction; None: it did not come in time."""
        with self._changed:
            self._changed.wait_for(lambda: transaction in self.reports, self.target.report_seconds)
            came = self.reports.get(transaction)
        if came is not None and not came[1]:
            time.sleep(_ANSWER_SECONDS)
        return came

    # What we open to the peer

    @contextmanager
    def associated(
        self,
        contexts: Sequence[tuple[str, Sequence[str]]],
        *,
        called: str = "",
        roles: Sequence[str] = (),
        store: dict[str, Dataset] | None = None,
    ) -> Iterator[Association]:
        """An association with the peer, released at the end.

        Raises
        ------
        PeerAway
            It is not established; the sentence says why.
        """
        peer = self.target.peer
        entity = calling_entity(self.settings.ae_title, self.target.answer_seconds)
        for sop_class, syntaxes in contexts:
            entity.add_requested_context(sop_class, list(syntaxes))
        handlers: list[Any] = [
            (evt.EVT_N_EVENT_REPORT, lambda event: self._reported(event, separate=False))
        ]
        if store is not None:
            handlers.append((evt.EVT_C_STORE, lambda event: _take(event, store)))
        association = call(
            entity,
            peer,
            self.settings.tls,
            ae_title=called or peer.ae_title,
            tls_args=None,
            ext_neg=[build_role(uid, scp_role=True) for uid in roles],
            evt_handlers=handlers,
        )
        release = partable(association)
        try:
            yield association
        finally:
            release()

    def send(self, objects: Sequence[Dataset]) -> list[tuple[Dataset, int | None, float]]:
        """C-STORE each object; with it the status (None: no answer) and the seconds it took."""
        wanted = {str(d.SOPClassUID): None for d in objects}
        answers: list[tuple[Dataset, int | None, float]] = []
        with self.associated([(uid, UNCOMPRESSED) for uid in wanted]) as association:
            for dataset in objects:
                began = time.monotonic()
                status = None
                if association.is_established:
                    try:
                        status = association.send_c_store(dataset).get("Status")
                    except ValueError:
                        status = 0x0122
                answers.append((dataset, status, time.monotonic() - began))
                if status is not None and (status == 0 or status >> 12 == 0xB):
                    self.kept[str(dataset.SOPInstanceUID)] = dataset
        return answers

    def find(self, dataset: Dataset) -> tuple[list[Dataset], int | None]:
        """Ask for one object of ours at IMAGE level; every key above it is ours.

        Returns what was found and the last status (None: no answer).
        """
        keys = identifier(dataset)
        keys.SOPClassUID = keys.InstanceNumber = ""
        found: list[Dataset] = []
        last = None
        with self.associated([(FIND, UNCOMPRESSED)]) as association:
            for status, answer in association.send_c_find(keys, FIND):
                last = status.get("Status")
                if answer is not None and last in (0xFF00, 0xFF01):
                    found.append(answer)
        return found, last

    def get(self, objects: Sequence[Dataset]) -> tuple[dict[str, Dataset], int | None]:
        """C-GET objects of ours, as SCP of their classes; with the last status."""
        came: dict[str, Dataset] = {}
        classes = list(dict.fromkeys(str(d.SOPClassUID) for d in objects))
        contexts = [(GET, UNCOMPRESSED), *((uid, UNCOMPRESSED) for uid in classes)]
        last = None
        with self.associated(contexts, roles=classes, store=came) as association:
            for dataset in objects:
                for status, _ in association.send_c_get(identifier(dataset), GET):
                    last = status.get("Status", last)
        return came, last

    def move(self, dataset: Dataset) -> tuple[bool, int | None]:
        """C-MOVE one object of ours to ourselves; whether it came, and the last status."""
        uid, last = str(dataset.SOPInstanceUID), None
        self.moved.pop(uid, None)
        with self.associated([(MOVE, UNCOMPRESSED)]) as association:
            title = self.settings.ae_title
            for status, _ in association.send_c_move(identifier(dataset), title, MOVE):
                last = status.get("Status", last)
        with self._changed:
            return self._changed.wait_for(lambda: uid in self.moved, 1.0), last


def identifier(dataset: Dataset) -> Dataset:
    """The keys of one object, down to IMAGE level."""
    keys = Dataset()
    keys.QueryRetrieveLevel = "IMAGE"
    for keyword in ("StudyInstanceUID", "SeriesInstanceUID", "SOPInstanceUID"):
        setattr(keys, keyword, dataset[keyword].value)
    return keys


def _take(event: Any, store: dict[str, Dataset]) -> int:
    dataset = event.dataset
    store[str(dataset.SOPInstanceUID)] = dataset
    return 0x0000


def fresh_uid() -> str:
    """A UID that nobody has seen."""
    return str(generate_uid(prefix=None))
