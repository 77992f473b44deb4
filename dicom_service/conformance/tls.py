"""Checks of the secure port (PS3.15 B.12): new protocols taken, old and plain ones refused."""

import contextlib
import socket
import ssl
import warnings
from collections.abc import Callable

from dicom_service.conformance.model import Finding
from dicom_service.conformance.run import Run

_NOT_GIVEN = Finding(
    verdict="SKIP",
    got="No secure port was given.",
    ask="Give --tls-port and --tls-ca if it has one (usually 2762).",
)
_REQUEST_TYPE, _ABORT_WAIT = b"\x01\x00", 3.0


def taken(version: ssl.TLSVersion) -> Callable[[Run], Finding]:
    """A check that this version is accepted, with a certificate that we can trust."""

    def check(run: Run) -> Finding:
        if run.target.tls_port is None:
            return _NOT_GIVEN
        said = _handshake(run, version, certificate=True)
        if not said:
            return Finding(verdict="PASS", got=f"{_name(version)} is taken, the certificate fits.")
        return Finding(
            verdict="FAIL",
            got=f"{_name(version)}: {said}.",
            ask="Does the certificate name this host, and is its issuer in --tls-ca?",
        )

    return check


def old_refused(run: Run) -> Finding:
    """TLS 1.1 is not safe any more and must be refused."""
    if run.target.tls_port is None:
        return _NOT_GIVEN
    said = _handshake(run, ssl.TLSVersion.TLSv1_1, certificate=True)
    if said:
        return Finding(verdict="PASS", got=f"TLS 1.1 is refused: {said}.")
    return Finding(verdict="FAIL", got="TLS 1.1 is still taken.", ask="Turn TLS 1.0 and 1.1 off.")


def stranger_refused(run: Run) -> Finding:
    """A client without a certificate must be refused where certificates are mutual."""
    if run.target.tls_port is None:
        return _NOT_GIVEN
    if run.target.tls_certificate is None:
        return Finding(
            verdict="SKIP",
            got="We have no certificate to show, so none is expected.",
            ask="Give --tls-cert and --tls-key if nodes know each other by them.",
        )
    said = _handshake(run, ssl.TLSVersion.TLSv1_2, certificate=False)
    if said:
        return Finding(verdict="PASS", got=f"A client without certificate is refused: {said}.")
    return Finding(
        verdict="FAIL",
        got="Anybody is let in, with or without a certificate.",
        ask="Let it ask for and check the certificate of every client.",
    )


def plain_refused(run: Run) -> Finding:
    """The secure port must not speak plain DICOM."""
    if run.target.tls_port is None:
        return _NOT_GIVEN
    try:
        with _connected(run) as plain:
            plain.sendall(_REQUEST_TYPE + (68).to_bytes(4, "big") + b"\0" * 68)
            answer = plain.recv(16)
    except OSError as error:
        return Finding(verdict="PASS", got=f"It hangs up on a plain client ({error}).")
    if answer[:1] in (b"\x02", b"\x03", b"\x07"):  # a PDU: accept, reject or abort
        return Finding(
            verdict="FAIL",
            got="The secure port speaks plain DICOM too.",
            ask="Use separate ports for plain and secure connections.",
        )
    return Finding(verdict="PASS", got="It does not speak plain DICOM there.")


def _connected(run: Run) -> socket.socket:
    return socket.create_connection(
        (run.target.peer.host, run.target.tls_port or 0), run.target.answer_seconds
    )


def _handshake(run: Run, version: ssl.TLSVersion, *, certificate: bool) -> str:
    """Try one version; "" when a connection stands, else why it does not."""
    target = run.target
    try:
        context = ssl.create_default_context(
            cafile=str(target.tls_authority) if target.tls_authority else None
        )
        with warnings.catch_warnings():
            warnings.simplefilter("ignore", DeprecationWarning)  # old versions are tried on purpose
            context.minimum_version = context.maximum_version = version
        if version < ssl.TLSVersion.TLSv1_2:
            # Our own library would refuse before the peer is asked.
            context.set_ciphers("ALL:@SECLEVEL=0")
        if certificate and target.tls_certificate:
            context.load_cert_chain(target.tls_certificate, target.tls_key)
        with (
            _connected(run) as plain,
            context.wrap_socket(plain, server_hostname=target.peer.host) as secure,
        ):
            # With TLS 1.3 a refused certificate shows only at the first read.
            secure.settimeout(_ABORT_WAIT)
            with contextlib.suppress(TimeoutError):
                if secure.recv(1) == b"":
                    return "it hangs up"
    except (OSError, ValueError) as error:
        return str(getattr(error, "reason", "") or error).replace("_", " ").lower()
    return ""


def _name(version: ssl.TLSVersion) -> str:
    return version.name.replace("v", " ").replace("_", ".")
