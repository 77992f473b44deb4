"""Checks of our own side: what we send is valid, and the examination is on our record."""

import tempfile
from datetime import UTC, datetime
from pathlib import Path

from dicom_service.checking import OURS, check
from dicom_service.conformance.model import Finding
from dicom_service.conformance.run import Run
from dicom_service.errors import SesamoidError
from dicom_service.site import site_store
from dicom_service.store import is_data_folder


def objects(run: Run) -> Finding:
    """Everything that is sent, by our own rules and the validators that are here."""
    with tempfile.TemporaryDirectory(prefix="sesamoid-") as folder:
        paths = []
        # The images first: the report's rules look at them.
        for name in ("image-1.dcm", "image-2.dcm", "final.dcm", "measurements.dcm", "addendum.dcm"):
            path = Path(folder, name)
            run.documents[name].save_as(path, enforce_file_format=True)
            paths.append(path)
        rows = check(paths)
    bad = [row for row in rows if row.verdict == "problem"]
    used = sorted({row.checker for row in rows if row.verdict != "not checked"})
    if bad:
        return Finding(
            verdict="FAIL",
            got=f"{Path(bad[0].file).name}, {bad[0].checker}: {bad[0].sentence}",
            ask="Please send this page to the makers of Sesamoid.",
        )
    return Finding(
        verdict="PASS",
        got=f"No problem to {', '.join(used)}.",
        ask="" if used != [OURS] else "Install dicom3tools and dcmtk for a second opinion.",
    )


def audit_record(run: Run) -> Finding:
    """Write the examination into the node's audit trail and read it back."""
    folder = Path(run.settings.data_folder)
    if not is_data_folder(folder):
        return Finding(
            verdict="SKIP",
            got=f"There is no node's data folder at {folder}.",
            ask="Give --data or --config of the node that the record is for.",
        )
    peer = run.target.peer
    detail = f"{peer.ae_title} at {peer.host}:{peer.port}, invented patients {run.patient_id}"
    try:
        store = site_store(run.settings)
        try:
            store.audit("conformance examined", detail=detail, at=datetime.now(UTC))
            written = any(row.detail == detail for row in store.audit_rows(limit=20))
        finally:
            store.close()
    except SesamoidError as error:
        return Finding(verdict="FAIL", got=str(error), ask="Look at the node's data folder.")
    if written:
        return Finding(verdict="PASS", got="The examination stands in the node's audit trail.")
    return Finding(
        verdict="FAIL",
        got="The record was written and cannot be read back.",
        ask="Look at the node's data folder.",
    )
