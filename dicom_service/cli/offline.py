"""`sesamoid template`: what the node has prepared, without a browser."""

import argparse
from pathlib import Path

from dicom_service.settings import Settings
from dicom_service.site import site_store
from dicom_service.workflow import Desk


def template(options: argparse.Namespace, settings: Settings) -> int:
    """Write the structured-report template of one study to a file."""
    store = site_store(settings)
    try:
        data = Desk(store, settings).template_document(options.study_uid)
    finally:
        store.close()
    file: Path = options.output or Path(f"{options.study_uid}.dcm")
    file.write_bytes(data)
    print(f"Wrote {file} ({len(data)} bytes).")
    return 0
