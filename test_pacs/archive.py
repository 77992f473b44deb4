"""A clinic's archive: keeps, answers queries, sends, commits and routes, with faults to order."""

import time
from collections.abc import Iterator, Mapping, Sequence
from io import BytesIO
from itertools import chain
from pathlib import Path
from typing import Any, cast

from pydicom import Dataset, dcmread
from pydicom.errors import InvalidDicomError
from pydicom.uid import (
    JPEG2000,
    UID,
    DeflatedExplicitVRLittleEndian,
    ExplicitVRBigEndian,
    ExplicitVRLittleEndian,
    ImplicitVRLittleEndian,
    JPEG2000Lossless,
    JPEGBaseline8Bit,
    JPEGExtended12Bit,
    JPEGLossless,
    JPEGLosslessSV1,
    JPEGLSLossless,
    JPEGLSNearLossless,
    RLELossless,
)
from pynetdicom import AE, AllStoragePresentationContexts, evt
from pynetdicom.events import Event
from pynetdicom.transport import ThreadedAssociationServer

from dicom_service.node.transport import keep_going
from test_pacs.catalog import Catalog, Entry
from test_pacs.commitment import PUSH_MODEL, Commitment, Committer
from test_pacs.faults import Faults
from test_pacs.querying import GET_MODELS, ROOTS, BadQuery, answers, more_answers, selected
from test_pacs.routing import Delivery, Route, Router, contexts_for

TRANSFER_SYNTAXES = [
    ExplicitVRLittleEndian,
    ImplicitVRLittleEndian,
    ExplicitVRBigEndian,
    DeflatedExplicitVRLittleEndian,
    JPEGBaseline8Bit,
    JPEGExtended12Bit,
    JPEGLossless,
    JPEGLosslessSV1,
    JPEGLSLossless,
    JPEGLSNearLossless,
    JPEG2000Lossless,
    JPEG2000,
    RLELossless,
]
VERIFICATION = "1.2.840.10008.1.1"
_SUCCESS, _PENDING, _CANCEL = 0x0000, 0xFF00, 0xFE00
_CANNOT_UNDERSTAND, _DOES_NOT_MATCH = 0xC000, 0xA900


class Archive:
    """An application entity that behaves as a clinic's archive does.

    Parameters
    ----------
    folder
        Where the objects are kept, one file each; an archive on the same folder has them again.
    port
        0: a free one, found at the first start and kept over `restart`.
    peers
        (host, port) of each AE title that may be the destination of C-MOVE or get a commitment
        report; the AE titles of routes are known already.
    routes
        Forwarding rules; an object is not sent back to the AE title that it came from.
    faults
        Misbehaviour; its fields may be changed while the archive runs.
    """

    def __init__(
        self,
        folder: Path,
        ae_title: str = "ARCHIVE",
        host: str = "127.0.0.1",
        port: int = 0,
        peers: Mapping[str, tuple[str, int]] | None = None,
        routes: Sequence[Route] = (),
        faults: Faults | None = None,
    ) -> None:
        self.folder = Path(folder)
        self.ae_title = ae_title
        self.host = host
        self.port = port
        self.peers = dict(peers or {})
        self.routes = list(routes)
        self.faults = faults or Faults()
        self.commitments: list[Commitment] = []
        self.deliveries: list[Delivery] = []
        self.queries = 0
        self.answered = 0
        self._running = False

    def start(self) -> "Archive":
        """Read the folder and listen; `port` is the real one afterwards."""
        self._catalog = Catalog(self.folder)
        self._ae = _application_entity(self.ae_title)
        self._router = Router(self._ae)
        self._router.deliveries = self.deliveries
        self._committer = Committer(self._ae, self._catalog, self.faults, self._address)
        self._committer.log = self.commitments
        self._server = cast(
            "ThreadedAssociationServer",  # None only for block=True
            self._ae.start_server(
                (self.host, self.port), block=False, evt_handlers=self._handlers()
            ),
        )
        self.port = int(self._server.server_address[1])
        self._router.start()
        self._running = True
        return self

    def stop(self) -> None:
        """Abort what is open and stop listening; the objects stay in the folder."""
        if not self._running:
            return
        self._running = False
        self._router.stop()
        self._server.shutdown()  # first: who calls now would come after the aborts
        self._ae.shutdown()
        self._committer.stop()

    def restart(self) -> None:
        """Go down and come back on the same port, with only what is on disk."""
        self.stop()
        self.start()

    def __enter__(self) -> "Archive":
        return self.start()

    def __exit__(self, *_: object) -> None:
        self.stop()

    def stored(self, study_uid: str | None = None) -> list[Dataset]:
        """The kept objects, all or those of one study, as full data sets."""
        return [dcmread(path) for path in self.paths(study_uid)]

    def paths(self, study_uid: str | None = None) -> list[Path]:
        """The files of the kept objects, all or those of one study."""
        return [entry.path for entry in self._catalog.entries(study_uid)]

    def put(self, *datasets: Dataset) -> None:
        """Keep data sets (with file meta information) as if received; routes apply."""
        for dataset in datasets:
            buffer = BytesIO()
            dataset.save_as(buffer, enforce_file_format=True)
            self._keep(buffer.getvalue(), "")

    def route(self, study_uid: str, route: Route) -> None:
        """Forward a kept study now, whatever the rule of `route` says."""
        self._router.add(route, self._catalog.entries(study_uid))

    def wait_routed(self, timeout: float = 30.0) -> bool:
        """Wait until everything owed to routes was taken or refused; False: not in time."""
        return self._router.wait(timeout)

    def _keep(self, data: bytes, came_from: str) -> None:
        entry, new = self._catalog.add(data, came_from)
        if new:
            for route in self.routes:
                if route.ae_title != came_from and route.rule(entry.header):
                    self._router.add(route, [entry])

    def _address(self, ae_title: str) -> tuple[str, int] | None:
        routes = {route.ae_title: (route.host, route.port) for route in self.routes}
        return self.peers.get(ae_title) or routes.get(ae_title)

    def _handlers(self) -> list[Any]:
        return [
            # Stopped at any moment, it aborts what has only just been connected.
            (evt.EVT_CONN_OPEN, lambda event: keep_going(event.assoc)),
            (evt.EVT_REQUESTED, self._on_requested),
            (evt.EVT_C_ECHO, lambda _event: _SUCCESS),
            (evt.EVT_C_STORE, self._on_store),
            (evt.EVT_C_FIND, self._on_find),
            (evt.EVT_C_MOVE, self._on_move),
            (evt.EVT_C_GET, self._on_get),
            (evt.EVT_N_ACTION, self._on_action),
        ]

    def _on_requested(self, event: Event) -> None:
        if self.faults.refuse_association:
            event.assoc.acse.send_reject(0x02, 0x01, 0x01)
            event.assoc.kill()  # waits until the answer has left

    def _on_store(self, event: Event) -> int | Dataset:
        time.sleep(self.faults.slow_seconds)
        if self.faults.drop_at_store:
            self.faults.drop_at_store -= 1
            event.assoc.abort()
            return _CANNOT_UNDERSTAND
        if self.faults.refuse_store:
            refusal = Dataset()
            refusal.Status = self.faults.refuse_store
            if self.faults.store_comment:
                refusal.ErrorComment = self.faults.store_comment
            return refusal
        if self.faults.forgets:
            return _SUCCESS
        try:
            self._keep(event.encoded_dataset(), event.assoc.requestor.ae_title)
        except (InvalidDicomError, AttributeError, EOFError, ValueError):
            return _CANNOT_UNDERSTAND
        return _SUCCESS

    def _on_find(self, event: Event) -> Iterator[tuple[int, Dataset | None]]:
        query = event.identifier
        self.queries += 1
        if self.faults.drop_at_find:
            event.assoc.abort()
            return
        if self.faults.refuse_find:
            yield self.faults.refuse_find, None
            return
        while self.faults.silent_find and event.assoc.is_established:
            time.sleep(0.02)
        try:
            found = answers(self._catalog.entries(), query, ROOTS[event.context.abstract_syntax])
        except BadQuery:
            yield _DOES_NOT_MATCH, None
            return
        for answer in chain(found, more_answers(query, self.faults.many_answers)):
            if event.is_cancelled and not self.faults.deaf:
                yield _CANCEL, None
                return
            if not event.assoc.is_established:
                return
            self.answered += 1
            answer.RetrieveAETitle = self.ae_title
            yield _PENDING, answer

    def _on_move(self, event: Event) -> Iterator[Any]:
        address = self._address(str(event.move_destination).strip())
        entries = self._asked(event)
        if address is None:
            yield None, None
            return
        yield (*address, {"contexts": contexts_for(entries or [])})
        yield from self._sub_operations(event, entries)

    def _on_get(self, event: Event) -> Iterator[Any]:
        yield from self._sub_operations(event, self._asked(event))

    def _asked(self, event: Event) -> list[Entry] | None:
        root = ROOTS[event.context.abstract_syntax]
        try:
            return selected(self._catalog.entries(), event.identifier, root)
        except BadQuery:
            return None

    def _sub_operations(self, event: Event, entries: list[Entry] | None) -> Iterator[Any]:
        if self.faults.drop_at_retrieve:
            event.assoc.abort()
            yield 0  # the library expects a number, whoever listens
            return
        if entries is None:
            yield 1
            yield _DOES_NOT_MATCH, None
            return
        yield len(entries)
        for entry in entries:
            if event.is_cancelled:
                yield _CANCEL, None
                return
            yield _PENDING, _for_sending(entry, event)

    def _on_action(self, event: Event) -> tuple[int, None]:
        requester = event.assoc.requestor.ae_title
        return self._committer.request(event.action_information, requester, event.assoc), None


def _application_entity(ae_title: str) -> AE:
    ae = AE(ae_title)
    ae.maximum_associations = 64
    ae.dimse_timeout = 10
    ae.acse_timeout = 10
    ae.add_supported_context(VERIFICATION)
    for context in AllStoragePresentationContexts:
        # Both roles, so that a requester of C-GET may take the role of storage SCP.
        ae.add_supported_context(
            str(context.abstract_syntax), TRANSFER_SYNTAXES, scu_role=True, scp_role=True
        )
    for uid in ROOTS:
        ae.add_supported_context(uid)
    ae.add_supported_context(PUSH_MODEL)
    return ae


def _for_sending(entry: Entry, event: Event) -> Dataset:
    """The data set as stored; decompressed when a C-GET requester cannot take it as it is."""
    dataset = dcmread(entry.path)
    if event.context.abstract_syntax in GET_MODELS:
        offered = {
            context.transfer_syntax[0]
            for context in event.assoc.accepted_contexts
            if context.abstract_syntax == entry.sop_class_uid
        }
        syntax = UID(entry.transfer_syntax_uid)
        if syntax.is_encapsulated and offered and syntax not in offered:
            dataset.decompress()
    return dataset
