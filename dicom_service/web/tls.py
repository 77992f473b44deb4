"""TLS for the web server: its connections, each with an encrypted socket that never blocks."""

import ssl
import threading
import time
from typing import Any

from waitress.channel import HTTPChannel  # type: ignore[import-untyped]

from dicom_service.errors import SetupError
from dicom_service.web.sending import Stretch, as_bytes

_MODERN = "ECDHE+AESGCM:ECDHE+CHACHA20"
_WAITS = (ssl.SSLWantReadError, ssl.SSLWantWriteError)


def context_of(certificate: str, key: str) -> ssl.SSLContext:
    """TLS 1.2 and 1.3 with forward secrecy only (BCP 195).

    Raises
    ------
    SetupError
        The files cannot be read or do not belong together.
    """
    made = ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER)
    made.minimum_version = ssl.TLSVersion.TLSv1_2
    made.set_ciphers(_MODERN)
    made.options |= ssl.OP_NO_COMPRESSION | ssl.OP_NO_RENEGOTIATION
    try:
        # An empty password: a key with one would otherwise ask at a terminal that is not there.
        made.load_cert_chain(certificate, key or None, password="")
    except (OSError, ssl.SSLError) as error:
        raise SetupError(
            f"The certificate {certificate} (http_tls_certificate) and its key "
            f"{key or 'in the same file'} (http_tls_key) cannot be used: {error}. "
            "Both must be PEM files, the key without a password."
        ) from error
    return made


class _Encrypted:
    """A socket as the server's channel uses it; `OSError`s mean what they mean without TLS.

    The server's loop reads while a worker writes, and OpenSSL does not take both at once: a lock
    guards each call, none of which waits for the network.
    """

    def __init__(self, plain: Any, context: ssl.SSLContext) -> None:
        plain.setblocking(False)
        self._tls = context.wrap_socket(plain, server_side=True, do_handshake_on_connect=False)
        self._lock = threading.Lock()
        self._ready = False

    def read(self, size: int) -> bytes | None:
        """All that has come; None: nothing yet. Empty: the other side has closed."""
        pieces: list[bytes] = []
        with self._lock:
            try:
                if not self._ready:
                    self._tls.do_handshake()
                    self._ready = True
                while piece := self._tls.recv(size):
                    pieces.append(piece)
                    if not self._tls.pending():
                        break
            except _WAITS:
                return b"".join(pieces) or None
            except ssl.SSLError as error:
                raise ConnectionResetError(str(error)) from error
        return b"".join(pieces)

    def send(self, data: bytes | Stretch) -> int:
        piece = as_bytes(data)
        if not piece:
            raise ConnectionResetError(104, "a file is shorter than it was")
        with self._lock:
            try:
                return self._tls.send(piece)
            except _WAITS as error:
                raise BlockingIOError(11, "the network is busy") from error
            except ssl.SSLError as error:
                raise ConnectionResetError(104, str(error)) from error

    def close(self) -> None:
        self._tls.close()

    def __getattr__(self, name: str) -> Any:
        return getattr(self._tls, name)


def channel_over(context: ssl.SSLContext) -> type:
    """A channel class for waitress whose connections are encrypted."""

    class TlsChannel(HTTPChannel):  # type: ignore[misc]
        def __init__(self, server: Any, sock: Any, *rest: Any, **options: Any) -> None:
            super().__init__(server, _Encrypted(sock, context), *rest, **options)

        def handle_read(self) -> None:
            try:
                data = self.socket.read(self.adj.recv_bytes)
            except OSError:  # no TLS, the wrong certificate, a scanner: not worth a log line
                self.handle_close()
                return
            if data is None:
                return
            if not data:
                self.handle_close()
                return
            self.last_activity = time.time()
            self.received(data)

    return TlsChannel
