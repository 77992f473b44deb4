"""`sesamoid demo`: an invented clinic, the node and the viewer, in one command."""

import argparse
import secrets
import signal
from pathlib import Path

from dicom_service.cli.told import Told
from dicom_service.passwords import hash_password
from dicom_service.settings import Settings
from dicom_service.viewer_install import ensure_viewer
from test_pacs.clinic import Clinic
from test_pacs.earlier import sign_earlier
from test_pacs.sending import send
from test_pacs.studies import EARLIER, TODAY, demo_study

FOLDER = Path("sesamoid-demo")
READER = "reader"


def run(options: argparse.Namespace, settings: Settings) -> int:
    """Start everything, route the demo studies, print address and credentials, wait."""
    folder: Path = options.data or FOLDER
    folder.mkdir(parents=True, exist_ok=True)
    viewer = ensure_viewer(folder, print)
    told = Told((signal.SIGINT, signal.SIGTERM))
    ports = {"http_port": settings.http_port, "dimse_port": settings.dimse_port}
    with Clinic(folder, viewer, options=ports) as clinic:
        password = _reader(clinic)
        _route_studies(clinic)
        print(
            f"\n  Open   {clinic.service.address}"
            f"\n  User   {READER}"
            f"\n  Sign in and sign with   {password}"
            f"\n\n  DICOM  {settings.ae_title} at 127.0.0.1:{clinic.service.dimse_port}"
            f"\n  Data   {folder.resolve()} (all animals, people and clinics are invented)"
            "\n\nCtrl-C stops it.",
            flush=True,
        )
        told.next()
        print("Stopping.")
    return 0


def _reader(clinic: Clinic) -> str:
    password = secrets.token_urlsafe(9)
    store = clinic.service.store
    if store.user(READER):
        store.set_password_hash(READER, hash_password(password))
    else:
        store.add_user(
            READER, "Quillon^Ada^^Dr", hash_password(password), ["reader", "administrator"]
        )
    return password


def _route_studies(clinic: Clinic) -> None:
    """The camera sends to the archive; the archive's rule routes to the node."""
    if clinic.service.store.count_studies():
        print("The demo studies are there from last time.")
        return
    print("Taking the demo radiographs (computed; about 30 seconds) ...", flush=True)
    before = demo_study(EARLIER)
    for study in (before, *map(demo_study, TODAY)):
        send(study.datasets, clinic.archive.port, clinic.archive.ae_title)
        print(f"  sent to the archive, which routes it: {study.sentence}", flush=True)
    sign_earlier(clinic, before)
