"""TLS of the node's DICOM connections, per BCP 195 (RFC 8996, RFC 9325; PS3.15 B.12).

TLS 1.2 and 1.3, forward secrecy and authenticated encryption only. Certificates are mutual: a
peer without one that our authority issued is refused before it can ask for anything.
"""

import ssl
from pathlib import Path

from dicom_service.errors import SetupError
from dicom_service.settings import Peer, Tls

CIPHERS = "ECDHE+AESGCM:ECDHE+CHACHA20"
"""Of TLS 1.2 (RFC 9325 4.2); those of TLS 1.3 are all good."""


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
    try:
        context.load_cert_chain(tls.certificate, tls.key or None, password=_no_password)
    except (OSError, ssl.SSLError, ValueError) as error:
        reason = getattr(error, "reason", None) or getattr(error, "strerror", None) or str(error)
        raise SetupError(
            f"Certificate {tls.certificate} and key {tls.key or 'in the same file'} cannot be "
            f"used together: {str(reason).replace('_', ' ').lower()}."
        ) from error
    return context


def _no_password() -> str:
    """Nobody is there to type it when the node starts."""
    raise ValueError("the key is encrypted; keep an unencrypted copy that only the node can read")
