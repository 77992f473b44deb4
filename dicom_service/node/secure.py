"""TLS of the node's DICOM connections, per BCP 195 (RFC 8996, RFC 9325; PS3.15 B.12).

TLS 1.2 and 1.3, forward secrecy and authenticated encryption only. Certificates are mutual: a
peer without one that our authority issued is refused before it can ask for anything.
"""

import hashlib
import logging
import ssl
import threading
from pathlib import Path
from typing import Any, NamedTuple

from dicom_service.errors import SetupError
from dicom_service.settings import Peer, Tls

CIPHERS = "ECDHE+AESGCM:ECDHE+CHACHA20"
"""Of TLS 1.2 (RFC 9325 4.2); those of TLS 1.3 are all good."""

log = logging.getLogger(__name__)


class Certificate(NamedTuple):
    """What a caller has shown."""

    fingerprint: str
    """SHA-256, in hexadecimal digits."""
    name: str
    """Common name of the subject; "" when it has none."""

    def is_that_of(self, peer: Peer) -> bool:
        """Whether this peer is to show exactly this one."""
        return peer.certificate in (self.fingerprint, f"CN={self.name}")


def shown_by(secure: ssl.SSLSocket) -> Certificate:
    """The certificate of the other side, which has been verified."""
    subject: Any = (secure.getpeercert() or {}).get("subject", ())
    names = [value for part in subject for key, value in part if key == "commonName"]
    digest = hashlib.sha256(secure.getpeercert(binary_form=True) or b"").hexdigest()
    return Certificate(digest, str(names[-1]) if names else "")


class ServerPapers:
    """The context of the secure port, made anew when one of its files has changed.

    Raises
    ------
    SetupError
        A file is missing or does not fit; the sentence names it.
    """

    def __init__(self, tls: Tls) -> None:
        self._tls = tls
        self._lock = threading.Lock()
        self._seen = self._stamps()
        self._context = server_context(tls)

    def context(self) -> ssl.SSLContext:
        """For the next caller."""
        with self._lock:
            now = self._stamps()
            if now != self._seen:
                self._seen = now
                try:
                    self._context = server_context(self._tls)
                    log.info("the files of [tls] have changed and are used from now on")
                except SetupError as error:
                    log.error("the files of [tls] have changed, the old ones stay: %s", error)
            return self._context

    def _stamps(self) -> tuple[tuple[int, int], ...]:
        tls = self._tls
        return tuple(
            _stamp(file) for file in (tls.certificate, tls.key, tls.authority, tls.revoked) if file
        )


def _stamp(file: str) -> tuple[int, int]:
    try:
        found = Path(file).stat()
    except OSError:
        return 0, 0
    return found.st_mtime_ns, found.st_size


def server_context(tls: Tls) -> ssl.SSLContext:
    """What the secure port asks of a caller.

    Raises
    ------
    SetupError
        A file is missing or does not fit; the sentence names it.
    """
    context = ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER)
    context.options |= ssl.OP_CIPHER_SERVER_PREFERENCE | ssl.OP_NO_RENEGOTIATION
    context.num_tickets = 0  # no session outlives its connection
    return _furnished(context, tls)


def client_context(tls: Tls) -> ssl.SSLContext:
    """What we ask of a peer that we call: a certificate of our authority, for its host's name.

    Raises
    ------
    SetupError
        A file is missing or does not fit; the sentence names it.
    """
    return _furnished(ssl.SSLContext(ssl.PROTOCOL_TLS_CLIENT), tls)


def tls_args(tls: Tls, peer: Peer) -> tuple[ssl.SSLContext, str] | None:
    """How `associate` reaches this peer: None for plain DICOM."""
    return (client_context(tls), peer.host) if peer.tls else None


def _furnished(context: ssl.SSLContext, tls: Tls) -> ssl.SSLContext:
    context.minimum_version = ssl.TLSVersion.TLSv1_2
    context.set_ciphers(CIPHERS)
    context.verify_mode = ssl.CERT_REQUIRED
    for name, file in (("certificate", tls.certificate), ("authority", tls.authority)):
        if not file:
            raise SetupError(f"TLS needs the setting '{name}' in [tls]: the path of a PEM file.")
        if not Path(file).is_file():
            raise SetupError(f"The file {file} of the setting '{name}' in [tls] is not there.")
    try:
        context.load_verify_locations(tls.authority)
    except (OSError, ssl.SSLError) as error:
        raise SetupError(f"{tls.authority} holds no certificate of an authority in PEM.") from error
    if tls.revoked:
        _refuse_revoked(context, tls.revoked)
    try:
        context.load_cert_chain(tls.certificate, tls.key or None, password=_no_password)
    except (OSError, ssl.SSLError, ValueError) as error:
        reason = getattr(error, "reason", None) or getattr(error, "strerror", None) or str(error)
        raise SetupError(
            f"Certificate {tls.certificate} and key {tls.key or 'in the same file'} cannot be "
            f"used together: {str(reason).replace('_', ' ').lower()}."
        ) from error
    return context


def _refuse_revoked(context: ssl.SSLContext, file: str) -> None:
    try:
        context.load_verify_locations(file)
    except (OSError, ssl.SSLError) as error:
        raise SetupError(
            f"The file {file} of the setting 'revoked' in [tls] holds no revocation list in PEM."
        ) from error
    if not context.cert_store_stats()["crl"]:
        raise SetupError(
            f"The file {file} of the setting 'revoked' in [tls] holds certificates, but no "
            "revocation list."
        )
    context.verify_flags |= ssl.VERIFY_CRL_CHECK_LEAF


def _no_password() -> str:
    """Nobody is there to type it when the node starts."""
    raise ValueError("the key is encrypted; keep an unencrypted copy that only the node can read")
