"""One association with an archive: which studies does it have, and let us have these.

Study Root models (PS3.4 C.6.2). Every wait and every number of answers is bounded: an archive
that goes on after a cancel request is aborted.
"""

import contextlib
import logging
import threading
import time
from collections.abc import Iterable, Iterator
from typing import Any, NamedTuple, cast

from pydicom.dataset import Dataset
from pynetdicom import build_role, evt
from pynetdicom.association import Association

from dicom_service.errors import PeerAway, SesamoidError, outcome_of
from dicom_service.node.echo import call, calling_entity
from dicom_service.node.incoming import StreamingProvider
from dicom_service.node.receiver import file_header
from dicom_service.node.services import (
    STORED_CLASSES,
    TRANSFER_SYNTAXES,
    UNCOMPRESSED,
    plain,
)
from dicom_service.quiet_logs import said_in_log
from dicom_service.settings import Peer, Settings
from dicom_service.store import Store
from dicom_service.store.model import CLASSES_TO_READ

log = logging.getLogger(__name__)
STUDY_FIND = "1.2.840.10008.5.1.4.1.2.2.1"
STUDY_MOVE = "1.2.840.10008.5.1.4.1.2.2.2"
STUDY_GET = "1.2.840.10008.5.1.4.1.2.2.3"

MOST_ANSWERS = 200
"""Studies of one animal that are looked at; then the query is cancelled."""
_AFTER_CANCEL = 200
"""Answers that may still be under way when the archive hears of it."""
_PATIENCE = 10
"""Objects, and all answers to a query, may take this many times the wait for one answer."""
_MESSAGE_ID = 7
_RETURN_KEYS = (
    "StudyDate", "StudyTime", "StudyInstanceUID", "StudyDescription", "AccessionNumber",
    "ModalitiesInStudy", "NumberOfStudyRelatedInstances", "PatientName", "PatientBirthDate",
    "PatientSpeciesDescription",
)  # fmt: skip
_MOVE_REASONS = {
    0xA701: "it is out of resources",
    0xA702: "it could not send the objects",
    0xA801: "it does not know this node as a destination; enter our AE title, address and port",
    0xA900: "it does not understand the request",
    0xFE00: "it was cancelled",
}
_WARNING, _SUCCESS, _CANCELLED = 0xB000, 0x0000, 0xFE00


class Found(NamedTuple):
    """Answers to a query; `cut` when there were more than are looked at."""

    answers: list[Dataset]
    cut: bool


class Asking:
    """Asks one archive; a context manager that opens and ends its association.

    Parameters
    ----------
    peer
        Its `retrieve` says how objects are asked for.

    Raises
    ------
    PeerAway
        On entering: no association.
    """

    def __init__(self, settings: Settings, store: Store, peer: Peer) -> None:
        self._settings = settings
        self._store = store
        self._peer = peer
        self._association: Association | None = None
        self._refused: list[str] = []
        self._opening = threading.Lock()
        self._ended = False

    @property
    def ae_title(self) -> str:
        """Of the archive."""
        return self._peer.ae_title

    @property
    def site(self) -> str:
        """Whose archive it is."""
        return self._peer.site

    def __enter__(self) -> "Asking":
        self._open()
        return self

    def _open(self) -> None:
        wait = self._settings.peer_timeout_seconds
        entity = calling_entity(self._settings.ae_title, wait)
        entity.add_requested_context(STUDY_FIND, list(UNCOMPRESSED))
        roles = []
        if self._peer.retrieve == "get":
            entity.add_requested_context(STUDY_GET, list(UNCOMPRESSED))
            roles = _add_storage(entity)
        else:
            entity.add_requested_context(STUDY_MOVE, list(UNCOMPRESSED))
        handlers = cast("Any", [(evt.EVT_C_STORE, self._taken)])
        association = call(
            entity, self._peer, self._settings.tls, ext_neg=roles, evt_handlers=handlers
        )
        # Nothing is under way yet, so that objects can be made to stream to disk from now on.
        association.dimse = StreamingProvider(association, self._store.incoming)
        with self._opening:
            self._association = association
            if self._ended:
                association.abort()

    def __exit__(self, *_: object) -> None:
        association = self._established()
        if association.is_established:
            association.acse_timeout = 1.0
            association.release()
        cast("StreamingProvider", association.dimse).close()

    def end(self) -> None:
        """Abort whatever is under way; may be called from any thread."""
        with self._opening:
            self._ended = True
            if self._association is not None and self._association.is_established:
                self._association.abort()
                # The library leaves whoever waits for an answer waiting.
                self._association.dimse.msg_queue.put((None, None))

    def studies(self, patient_id: str) -> Found:
        """The studies of a patient, in the order in which the archive gives them.

        Raises
        ------
        PeerAway
            It did not answer, or refused to.
        """
        query = _query("STUDY", _RETURN_KEYS)
        query.PatientID = patient_id
        return self._answers(query)

    def reports(self, study_uid: str) -> list[str]:
        """The series of a study that hold reports, by their UIDs.

        Raises
        ------
        PeerAway
            It did not answer, or refused to.
        """
        query = _query("SERIES", ("SeriesInstanceUID",))
        query.StudyInstanceUID = study_uid
        query.Modality = "SR"
        answers = self._answers(query).answers
        return [plain(a.get("SeriesInstanceUID", "")) for a in answers if a.get("Modality") == "SR"]

    def _answers(self, query: Dataset) -> Found:
        found = Found([], cut=False)
        deadline = time.monotonic() + _PATIENCE * self._settings.peer_timeout_seconds
        association = self._established()
        with self._as_peer_away("the query"):
            for status, answer in association.send_c_find(query, STUDY_FIND, msg_id=_MESSAGE_ID):
                code = status.get("Status")
                if code is None:
                    raise PeerAway(f"{self._peer.name} did not answer the query in time.")
                if code == _SUCCESS or (code == _CANCELLED and found.cut):
                    break
                if code not in (0xFF00, 0xFF01):
                    said = plain(status.get("ErrorComment", "")) or "no reason given"
                    raise PeerAway(f"{self._peer.name} refuses the query (0x{code:04X}, {said}).")
                found = self._counted(found, answer)
                if time.monotonic() > deadline:
                    association.abort()
                    raise PeerAway(f"{self._peer.name} did not finish its answer in time.")
                if len(found.answers) > MOST_ANSWERS + _AFTER_CANCEL:
                    self._start_afresh()
                    break
        return Found(found.answers[:MOST_ANSWERS], found.cut)

    def _start_afresh(self) -> None:
        """Leave an archive that goes on answering; what it has can be asked for on a new one."""
        association = self._established()
        association.abort()
        cast("StreamingProvider", association.dimse).close()
        self._open()

    def retrieve(self, study_uid: str, series_uid: str = "") -> str:
        """Have a study, or one series of it, sent here; returns what went wrong, or "".

        Raises
        ------
        PeerAway
            No answer, or the association ended.
        """
        wanted = Dataset()
        wanted.QueryRetrieveLevel = "SERIES" if series_uid else "STUDY"
        wanted.StudyInstanceUID = study_uid
        if series_uid:
            wanted.SeriesInstanceUID = series_uid
        self._refused.clear()
        association = self._established()
        wait = self._settings.peer_timeout_seconds * _PATIENCE
        # Neither the objects nor interim answers need come on this association.
        association.dimse_timeout = association.network_timeout = wait
        deadline = time.monotonic() + _PATIENCE * wait
        status = Dataset()
        with self._as_peer_away("the retrieval"):
            for status, _ in self._sent(association, wanted):
                late = time.monotonic() > deadline
                if late:
                    association.abort()
                if late or status.get("Status") is None:
                    raise PeerAway(f"{self._peer.name} did not finish sending {study_uid}.")
        return self._judged(status)

    def _sent(self, association: Association, wanted: Dataset) -> Iterator[tuple[Dataset, Any]]:
        if self._peer.retrieve == "get":
            return association.send_c_get(wanted, STUDY_GET)
        return association.send_c_move(wanted, self._settings.ae_title, STUDY_MOVE)

    def _judged(self, status: Dataset) -> str:
        code = int(status.get("Status", 0xC000))
        failed = int(status.get("NumberOfFailedSuboperations", 0) or 0)
        if code not in (_SUCCESS, _WARNING):
            reason = _MOVE_REASONS.get(code, "no reason given")
            return f"{self._peer.name} did not send it (0x{code:04X}): {reason}"
        if self._refused:
            return f"{len(self._refused)} objects could not be taken: {self._refused[0]}"
        if failed:
            return f"{self._peer.name} could not send {failed} of its objects"
        return ""

    def _counted(self, found: Found, answer: Dataset | None) -> Found:
        if answer is not None:
            found.answers.append(answer)
        if len(found.answers) > MOST_ANSWERS and not found.cut:
            self._established().send_c_cancel(_MESSAGE_ID, query_model=STUDY_FIND)
            return Found(found.answers, cut=True)
        return found

    def _established(self) -> Association:
        if self._association is None:
            raise PeerAway(f"{self._peer.name} has not been called.")
        return self._association

    @contextlib.contextmanager
    def _as_peer_away(self, what: str) -> Iterator[None]:
        """What the library raises when the service is not offered, or the association is over."""
        try:
            yield
        except ValueError as error:
            raise PeerAway(
                f"{self._peer.name} does not offer the service for {what}; "
                "look at its setting retrieve."
            ) from error
        except RuntimeError as error:
            raise PeerAway(f"{self._peer.name} ended the association before {what}.") from error

    def _taken(self, event: Any) -> int:
        """Keep an object that comes by C-GET; returns the status to answer."""
        file = event.request._dataset_file
        source = f"{plain(self._peer.ae_title, 16)}@{self._peer.host}"
        try:
            header = file_header(file)
            self._store.accept(
                file.path, header, source=source, prior=True, digest=file.digest, site=self.site
            )
        except SesamoidError as error:
            log.warning("a prior from %s is refused: %s", source, plain(said_in_log(error), 400))
            self._refused.append(plain(said_in_log(error), 200))
            return outcome_of(error).dimse
        except Exception:
            log.exception("a prior from %s could not be stored", source)
            self._refused.append("the node failed; see its log")
            return 0xC000
        finally:
            if file is not None:
                event.assoc.dimse.finished(file)
        return _SUCCESS


def _query(level: str, wanted: Iterable[str]) -> Dataset:
    query = Dataset()
    query.SpecificCharacterSet = "ISO_IR 192"
    query.QueryRetrieveLevel = level
    for keyword in wanted:
        setattr(query, keyword, None)
    return query


def _add_storage(entity: Any) -> list[Any]:
    """Offer to take objects: images in one context for each syntax, as archives do not convert."""
    for sop_class in STORED_CLASSES:
        if sop_class in CLASSES_TO_READ:
            for syntax in TRANSFER_SYNTAXES:
                entity.add_requested_context(sop_class, syntax)
        else:
            entity.add_requested_context(sop_class, list(UNCOMPRESSED))
    return [build_role(sop_class, scp_role=True) for sop_class in STORED_CLASSES]
