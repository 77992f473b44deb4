"""`sesamoid serve`: run the node until it is told to stop."""

import argparse
import ipaddress
import signal
from pathlib import Path
from queue import SimpleQueue

from dicom_service.errors import SesamoidError
from dicom_service.service import Service
from dicom_service.settings import Settings
from dicom_service.viewer_install import ensure_viewer


def run(options: argparse.Namespace, settings: Settings) -> int:
    """Start everything, print where it listens, wait for SIGINT or SIGTERM.

    SIGHUP has the peers of the settings file read again.
    """
    viewer = None
    if "web" in settings.roles and not options.no_viewer:
        viewer = ensure_viewer(Path(settings.data_folder), print)
    told: SimpleQueue[int] = SimpleQueue()
    with Service(settings, viewer) as service:
        for number in (signal.SIGINT, signal.SIGTERM, signal.SIGHUP):
            signal.signal(number, lambda number, _: told.put(number))
        if service.swept and service.swept.sentence:
            print(service.swept.sentence)
        for port, words in ((service.dimse_port, ""), (service.node.secure_port, " (TLS)")):
            if port:
                print(f"DICOM: {settings.ae_title} at {settings.dimse_host}:{port}{words}")
        _tell_of_web(service)
        if not service.roster.archive:
            print("No archive is set: signed reports wait in the outbox (settings: archive).")
        while told.get() == signal.SIGHUP:
            _read_again(options, service)
        print("Stopping.")
    return 0


def _tell_of_web(service: Service) -> None:
    settings = service.settings
    if service.address:
        print(f"Web:   {service.address}")
        if not settings.http_tls_certificate and not _on_loopback(settings.http_host):
            print("The web pages are not encrypted: set http_tls_certificate, or a TLS proxy.")
        if not service.store.count_users():
            print("Nobody can sign in yet. Make the first user: sesamoid user NAME --role reader")


def _read_again(options: argparse.Namespace, service: Service) -> None:
    """Take new peers; settings that are wrong leave everything as it is."""
    try:
        waiting = service.reload(options.settings_of(options))
    except SesamoidError as error:
        print(f"The settings were not read again, the old ones stay: {error}")
        return
    names = ", ".join(peer.name for peer in service.roster.peers())
    print(f"Peers now: {names or 'none'}.")
    if waiting:
        print(f"Changed as well, and used after the next start: {', '.join(waiting)}.")


def _on_loopback(host: str) -> bool:
    try:
        return host == "localhost" or ipaddress.ip_address(host).is_loopback
    except ValueError:
        return False
