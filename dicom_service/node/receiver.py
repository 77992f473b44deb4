"""Receiving: who may call, what is stored, and what each failure answers."""

import logging
import sys
import threading
from collections.abc import Callable
from datetime import UTC, datetime
from typing import Any, cast

from pynetdicom import AE, evt
from pynetdicom.association import Association

from dicom_service.errors import (
    BadObject,
    NotAllowed,
    SesamoidError,
    SetupError,
    outcome_of,
    port_advice,
)
from dicom_service.node.admission import Admission, called_site
from dicom_service.node.balancer import Balancers
from dicom_service.node.commitment import Reports
from dicom_service.node.headers import read_header
from dicom_service.node.limits import LIMITS
from dicom_service.node.secure import ServerPapers
from dicom_service.node.secure_port import SecurePort
from dicom_service.node.services import (
    COMMITMENT,
    STORED_CLASSES,
    TRANSFER_SYNTAXES,
    UNCOMPRESSED,
    VERIFICATION,
    plain,
)
from dicom_service.node.stream import Answer, IncomingFile
from dicom_service.node.transport import Server
from dicom_service.quiet_logs import said_in_log
from dicom_service.roster import Roster
from dicom_service.settings import Settings
from dicom_service.store import InstanceHeader, Seeing, Store

log = logging.getLogger(__name__)
_TRANSIENT, _BY_PROVIDER, _LIMIT_EXCEEDED = 0x02, 0x03, 0x02
_UNEXPECTED = 0xC000


class Receiver:
    """The node as a storage provider.

    Parameters
    ----------
    reports
        Takes commitment reports.
    on_object
        Called after an object was stored, from the association's thread.
    asked_for
        Whether this node asked for an object: site, its study, who sends it, who had it moved.
    roster
        The peers.
    """

    def __init__(
        self,
        settings: Settings,
        store: Store,
        reports: Reports,
        on_object: Callable[[], None],
        asked_for: Callable[[str, str, str, str], bool],
        roster: Roster,
    ) -> None:
        self._settings = settings
        self._tried = Seeing(store, lambda: datetime.now(UTC))
        self._store = store
        self._reports = reports
        self._on_object = on_object
        self._asked_for = asked_for
        self._entity = _entity(settings)
        self._admission = Admission(settings, store, roster)
        self._balancers = Balancers(settings.balancers, LIMITS.balancer_seconds)
        self._let_in: set[Association] = set()
        self._counting = threading.Lock()
        self._server: Server | None = None
        self._secure: SecurePort | None = None
        self._thread: threading.Thread | None = None

    def start(self) -> int:
        """Listen; returns the plain port, 0 when there is only the secure one.

        Raises
        ------
        SetupError
            The port is in use, or the address is not one of this machine.
        """
        # With only the secure port the plain one is made, for it serves what comes in there, but
        # never accepts anything itself.
        port = 0 if self._settings.tls.only else self._settings.dimse_port
        address = (self._settings.dimse_host, port)
        handlers: list[Any] = [
            (evt.EVT_REQUESTED, self._requested),
            (evt.EVT_REJECTED, self._rejected),
            (evt.EVT_N_EVENT_REPORT, self._reported),
        ]
        try:
            server = self._entity.make_server(
                address,
                evt_handlers=handlers,
                server_class=Server,
                incoming=self._store.incoming,
                small=self._store.small,
                store=self._stored,
                echo=_echoed,
                balancers=self._balancers,
            )
        except OSError as error:
            raise SetupError(
                f"The DICOM port {address[1]} at {address[0]} cannot be used: {error.strerror}. "
                f"{port_advice(error)} (dimse_port and dimse_host)."
            ) from error
        self._server = cast("Server", server)
        if self._settings.tls.listen:
            self._start_secure(self._server)
        if self._settings.tls.only:
            server.server_close()
            return 0
        self._thread = threading.Thread(
            target=server.serve_forever, kwargs={"poll_interval": 0.1}, name="dicom listener"
        )
        self._thread.start()
        return int(server.server_address[1])

    def _start_secure(self, server: Server) -> None:
        tls = self._settings.tls
        try:
            papers = ServerPapers(tls)
            host = self._settings.dimse_host
            port = SecurePort(host, tls.port, papers, server.take, self._balancers)
        except SetupError:
            server.server_close()
            self._server = None
            raise
        self._secure = port
        port.start()

    @property
    def secure_port(self) -> int:
        """The port for TLS; 0 when there is none."""
        return self._secure.port if self._secure else 0

    @property
    def listening(self) -> bool:
        """Whether callers are answered."""
        return self._server is not None and not self._admission.draining

    def drain(self) -> None:
        """Let nobody new in; what is open goes on."""
        self._admission.draining = True

    def stop(self) -> None:
        """Stop listening and abort what is open."""
        if self._server is None:
            return
        if self._thread is not None:
            self._server.shutdown()
            self._thread.join()
        for association in self._server.active_associations:
            if association.is_established:
                association.abort()
            else:  # silent so far: end its connection, and its threads with it
                association.dul.event_queue.put("Evt17")
            # One that is only about to begin cannot be waited for, and finds its end at once.
            if association.ident is not None:
                association.join(10)
        if self._secure is not None:
            self._secure.stop()
            self._secure = None
        self._server = None

    def _requested(self, event: Any) -> None:
        """Turn away too many, and callers that are not to come in."""
        if self._crowded(event.assoc):
            log.warning("refused %s: too many associations", event.assoc.requestor.address)
            event.assoc.acse.send_reject(_TRANSIENT, _BY_PROVIDER, _LIMIT_EXCEEDED)
            event.assoc.kill()
            return
        server = self._server
        certificate = server.certificate_of(event.assoc) if server else None
        refusal = self._admission.refusal(event.assoc, certificate)
        if refusal is not None:
            requestor = event.assoc.requestor
            title = plain(requestor.primitive.calling_ae_title)
            log.warning("refused %s at %s: %s", title, requestor.address, refusal.words)
            self._forget(event.assoc)
            self._tried.note("peer refused", "", detail=f"from {title}@{requestor.address}")
            event.assoc.acse.send_reject(*refusal.codes)
            event.assoc.kill()

    def _crowded(self, association: Association) -> bool:
        """Whether there are enough associations, in all or with this address; if not, count it.

        The library would count half-open connections too, and let them keep others out. It says
        "established" only after the caller has its answer, so of several requests at one moment
        all would be let in: one that is let in counts from here on.
        """
        address = association.requestor.address
        with self._counting:
            self._let_in = {one for one in self._let_in if _goes_on(one)}
            same = sum(1 for one in self._let_in if one.requestor.address == address)
            crowded = (
                len(self._let_in) >= LIMITS.associations or same >= LIMITS.associations_per_peer
            )
            if not crowded:
                self._let_in.add(association)
        return crowded

    def _forget(self, association: Association) -> None:
        """One that was let in by number is not let in for another reason."""
        with self._counting:
            self._let_in.discard(association)

    def _rejected(self, event: Any) -> None:
        self._forget(event.assoc)
        request = event.assoc.requestor.primitive
        log.warning(
            "refused an association of %s at %s, which called %s",
            plain(request.calling_ae_title),
            event.assoc.requestor.address,
            plain(request.called_ae_title),
        )

    def _reported(self, event: Any) -> tuple[int, None]:
        return self._reports.take(event, called_site(self._settings, event.assoc)), None

    def _stored(self, association: Association, file: IncomingFile | None) -> Answer:
        """Answer a C-STORE request; success only when the object cannot be lost any more."""
        requestor = association.requestor
        source = f"{plain(requestor.ae_title, 16)}@{requestor.address}"
        try:
            titles = str(requestor.ae_title).strip(), file.mover if file else ""
            outcome = self._keep(file, source, called_site(self._settings, association), titles)
        except SesamoidError as error:
            log.warning("object from %s refused: %s", source, plain(said_in_log(error), 400))
            return _answer(outcome_of(error).dimse, str(error))
        except Exception:
            log.exception("object from %s could not be stored", source)
            return _answer(_UNEXPECTED, "The node failed; see its log.")
        finally:
            if file is not None:
                file.discard()
        if file is not None:
            log.debug("object %s from %s: %s", file.sop_instance_uid, source, outcome)
        self._on_object()
        return Answer(0x0000)

    def _keep(
        self, file: IncomingFile | None, source: str, site: str | None, titles: tuple[str, str]
    ) -> str:
        if file is None:
            raise BadObject("The request came without a data set.")
        if site is None:
            raise NotAllowed("Nobody here is called so.")
        header = file_header(file)
        prior = self._asked_for(site, header.study_uid, *titles)
        if file.memory is not None:
            return self._store.accept_bytes(
                file.memory, header, source=source, prior=prior, digest=file.digest, site=site
            )
        return self._store.accept(
            file.path, header, source=source, prior=prior, digest=file.digest, site=site
        )


def _goes_on(association: Association) -> bool:
    ended = association.is_released or association.is_aborted or association.is_rejected
    return association.is_alive() and not ended


def file_header(file: IncomingFile) -> InstanceHeader:
    """What the index keeps of a finished file.

    Raises
    ------
    SesamoidError
        The object is incomplete, wrong or did not fit on the disk.
    """
    file.complete()
    if file.error is not None:
        raise file.error
    header = read_header(
        file.reader(),
        file.size,
        file.offset,
        file.transfer_syntax,
        file.sop_class_uid,
        file.sop_instance_uid,
    )
    file.close()
    if file.error is not None:
        raise file.error
    return header


def _entity(settings: Settings) -> AE:
    entity = AE(settings.ae_title)
    # With several sites there are several titles: then the admission looks at them.
    entity.require_called_aet = not settings.sites
    # The receiver counts itself. The library would count threads, also those of connections that
    # were refused a moment ago and are about to end.
    entity.maximum_associations = sys.maxsize
    entity.maximum_pdu_size = LIMITS.pdu
    entity.network_timeout = LIMITS.idle_seconds
    entity.acse_timeout = min(LIMITS.handshake_seconds, settings.peer_timeout_seconds)
    entity.dimse_timeout = settings.peer_timeout_seconds
    entity.add_supported_context(VERIFICATION, list(UNCOMPRESSED))
    for sop_class in STORED_CLASSES:
        entity.add_supported_context(sop_class, list(TRANSFER_SYNTAXES))
    # Reports of storage commitment come on associations that the archive opens: it asks to be
    # the provider, and we are the user (PS3.4 J.3).
    entity.add_supported_context(COMMITMENT, list(UNCOMPRESSED), scu_role=False, scp_role=True)
    return entity


def _echoed(association: Association) -> Answer:
    log.debug("echo from %s", plain(association.requestor.ae_title))
    return Answer(0x0000)


def _answer(code: int, comment: str) -> Answer:
    # Error Comment (0000,0902) is LO: 64 characters, and commands are ASCII.
    words = plain(comment.replace("\\", "/"), 64).encode("ascii", "replace").decode()
    return Answer(code, words)
