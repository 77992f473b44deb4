"""`sesamoid export` and `sesamoid mrrt`: reports and templates for other systems."""

import argparse
from datetime import UTC, datetime
from pathlib import Path

from dicom_service import __version__
from dicom_service.errors import NotReady, SetupError
from dicom_service.report.companions import mrrt_templates
from dicom_service.settings import Settings
from dicom_service.site import site_atlas, site_store
from dicom_service.workflow import Desk, exporting


def export(options: argparse.Namespace, settings: Settings) -> int:
    """Write the signed report of one study in every form that we have."""
    store = site_store(settings)
    try:
        desk = Desk(store, settings)
        files = _files(desk, options.study_uid)
        _write(options.folder, files)
        store.audit("report exported", study_uid=options.study_uid, at=desk.clock())
    finally:
        store.close()
    return 0


def mrrt(options: argparse.Namespace, settings: Settings) -> int:
    """Write the report template of every region and species in the format of IHE MRRT."""
    made = datetime.now(UTC).date()
    templates = mrrt_templates(site_atlas(settings), version=__version__, made=made)
    _write(options.folder, {name: text.encode("utf-8") for name, text in templates})
    return 0


def _files(desk: Desk, study_uid: str) -> dict[str, bytes]:
    desk.open(study_uid)
    signed = [row for row in desk.store.documents(study_uid) if row.signed_at is not None]
    if not signed:
        raise NotReady(f"No report of study {study_uid} is signed yet.")
    files = {
        "report.pdf": exporting.pdf(desk, study_uid),
        "report.txt": exporting.plain_text(desk, study_uid).encode("utf-8"),
        "report.fhir.json": exporting.fhir(desk, study_uid).encode("utf-8"),
        "report.hl7": exporting.oru(desk, study_uid).encode("utf-8"),
    }
    for number, row in enumerate(signed, 1):
        files[f"{number:02}-{row.kind}-{row.role}.dcm"] = row.path.read_bytes()
    return files


def _write(folder: Path, files: dict[str, bytes]) -> None:
    try:
        folder.mkdir(parents=True, exist_ok=True)
        for name, data in files.items():
            (folder / name).write_bytes(data)
            print(folder / name)
    except OSError as error:
        raise SetupError(f"{folder} cannot be written: {error.strerror}.") from error
