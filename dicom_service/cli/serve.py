"""`sesamoid serve`: run the node until it is told to stop."""

import argparse
import ipaddress
import signal
import time
from pathlib import Path
from typing import get_args

from dicom_service.cli.told import Told
from dicom_service.errors import SesamoidError
from dicom_service.service import Service
from dicom_service.settings import Role, Settings
from dicom_service.viewer_install import ensure_viewer


def arguments(parser: argparse.ArgumentParser) -> None:
    """Arguments of the command."""
    add = parser.add_argument
    add("--ae-title", help="application entity title that peers call")
    add("--dimse-host", help="address of the DIMSE port")
    add("--dimse-port", type=int, help="DIMSE port")
    add("--http-host", help="address of the web pages")
    add("--http-port", type=int, help="port of the web pages")
    add("--role", action="append", dest="node_roles", choices=get_args(Role),
        help="do only this; may be given several times (default: all)")  # fmt: skip
    add("--no-viewer", action="store_true", help="do not fetch or serve the web viewer")


def run(options: argparse.Namespace, settings: Settings) -> int:
    """Start everything, print where it listens, wait for SIGINT or SIGTERM.

    SIGHUP has the peers of the settings file read again.
    """
    viewer = None
    if "web" in settings.roles and not options.no_viewer:
        viewer = ensure_viewer(Path(settings.data_folder), print)
    with Service(settings, viewer) as service:
        told = Told((signal.SIGINT, signal.SIGTERM, signal.SIGHUP))
        if service.swept and service.swept.sentence:
            print(service.swept.sentence)
        for port, words in ((service.dimse_port, ""), (service.node.secure_port, " (TLS)")):
            if port:
                print(f"DICOM: {settings.ae_title} at {settings.dimse_host}:{port}{words}")
        _tell_of_web(service)
        if not service.roster.archive:
            print("No archive is set: signed reports wait in the outbox (settings: archive).")
        while told.next() == signal.SIGHUP:
            _read_again(options, service)
        _drain(service, settings.drain_seconds, told)
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


def _drain(service: Service, seconds: float, told: Told) -> None:
    """Give balancers and callers time; told once more, it ends at once."""
    if not seconds:
        return
    service.drain()
    print(f"No new associations; the node stops in {seconds:g} s.", flush=True)
    ends = time.monotonic() + seconds
    while (left := ends - time.monotonic()) > 0:
        if told.next(left) != signal.SIGHUP:
            return


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
