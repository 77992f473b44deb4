"""`sesamoid serve`: run the node until it is told to stop."""

import argparse
import ipaddress
import signal
import threading
from pathlib import Path

from dicom_service.service import Service
from dicom_service.settings import Settings
from dicom_service.viewer_install import ensure_viewer


def run(options: argparse.Namespace, settings: Settings) -> int:
    """Start everything, print where it listens, wait for SIGINT or SIGTERM."""
    viewer = None if options.no_viewer else ensure_viewer(Path(settings.data_folder), print)
    stop = threading.Event()
    for number in (signal.SIGINT, signal.SIGTERM):
        signal.signal(number, lambda *_: stop.set())
    with Service(settings, viewer) as service:
        if service.swept and service.swept.sentence:
            print(service.swept.sentence)
        for port, words in ((service.dimse_port, ""), (service.node.secure_port, " (TLS)")):
            if port:
                print(f"DICOM: {settings.ae_title} at {settings.dimse_host}:{port}{words}")
        print(f"Web:   {service.address}")
        if not settings.http_tls_certificate and not _on_loopback(settings.http_host):
            print("The web pages are not encrypted: set http_tls_certificate, or a TLS proxy.")
        if not service.store.count_users():
            print("Nobody can sign in yet. Make the first user: sesamoid user NAME --role reader")
        if not settings.archive:
            print("No archive is set: signed reports wait in the outbox (settings: archive).")
        stop.wait()
        print("Stopping.")
    return 0


def _on_loopback(host: str) -> bool:
    try:
        return host == "localhost" or ipaddress.ip_address(host).is_loopback
    except ValueError:
        return False
