"""Serving the application: waitress in a thread of its own."""

import contextlib
import logging
import socket
import threading
from typing import Any

from flask import Flask
from waitress import wasyncore  # type: ignore[import-untyped]
from waitress.server import create_server  # type: ignore[import-untyped]

from dicom_service.errors import SetupError, port_advice
from dicom_service.settings import Settings
from dicom_service.web.app import LARGEST_BODY
from dicom_service.web.sending import Channel
from dicom_service.web.tls import channel_over, context_of

log = logging.getLogger(__name__)

THREADS = 12
STOP_SECONDS = 10.0
FORWARDED = {"x-forwarded-for", "x-forwarded-proto", "x-forwarded-host"}


class Server:
    """A running web server; `port` is the real one."""

    def __init__(self, app: Flask, listening: socket.socket, settings: Settings) -> None:
        self._connections: dict[int, object] = {}
        # One TLS proxy may say who really asked and how; nobody else may.
        proxy: dict[str, Any] = {}
        if settings.trusted_proxy:
            proxy = {"trusted_proxy": settings.trusted_proxy, "trusted_proxy_headers": FORWARDED}
        certificate = settings.http_tls_certificate
        tls = context_of(certificate, settings.http_tls_key) if certificate else None
        self._server = create_server(
            app,
            map=self._connections,
            sockets=[listening],
            threads=THREADS,
            ident=None,
            max_request_body_size=LARGEST_BODY,
            max_request_header_size=64 << 10,
            # An answer waits in memory, never in a temporary file: above the high-water mark the
            # worker pauses, so a connection holds 16 MiB and the last piece at most.
            outbuf_high_watermark=16 << 20,
            outbuf_overflow=64 << 20,
            channel_timeout=60,
            connection_limit=200,
            clear_untrusted_proxy_headers=True,
            url_scheme="https" if tls else "http",
            **proxy,
        )
        self._server.channel_class = Channel if tls is None else channel_over(tls)
        self.port: int = int(self._server.effective_port)
        self._thread = threading.Thread(target=self._server.run, name="web", daemon=True)
        self._thread.start()

    def stop(self) -> None:
        """Let running requests end, then close every connection; may be called twice."""
        if not self._thread.is_alive():
            return
        self._server.task_dispatcher.shutdown(cancel_pending=True, timeout=STOP_SECONDS)
        # The loop owns its sockets, so it is asked to close them itself.
        with contextlib.suppress(OSError):  # a request that just ended has woken it already
            self._server.trigger.pull_trigger(lambda: wasyncore.close_all(self._connections))
        self._thread.join(STOP_SECONDS)


def serve(app: Flask, settings: Settings) -> Server:
    """Serve `app` where the settings say; a port of 0 means any free one.

    Raises
    ------
    SetupError
        The address or the certificate cannot be used.
    """
    listening = _listen(settings.http_host, settings.http_port)
    try:
        return Server(app, listening, settings)
    except SetupError:
        listening.close()
        raise


def _listen(host: str, port: int) -> socket.socket:
    try:
        family, kind, protocol, _, address = socket.getaddrinfo(
            host, port, type=socket.SOCK_STREAM, flags=socket.AI_PASSIVE
        )[0]
        listening = socket.socket(family, kind, protocol)
    except OSError as error:
        raise SetupError(f"The web address {host} (http_host) is unknown here: {error}.") from error
    try:
        listening.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        listening.bind(address)
        listening.listen()
    except OSError as error:
        listening.close()
        raise SetupError(
            f"The web pages cannot be served at {host}, port {port}: {error.strerror}. "
            f"{port_advice(error)} (http_host and http_port)."
        ) from error
    return listening
