"""`sesamoid audit`: prove the audit trail, or write it as DICOM audit messages."""

import argparse
import getpass
import sys
from datetime import UTC, datetime
from pathlib import Path
from typing import BinaryIO

from dicom_service.audit.messages import audit_message, origin_of
from dicom_service.errors import Refused
from dicom_service.settings import Settings
from dicom_service.site import site_store
from dicom_service.store import Store


def arguments(parser: argparse.ArgumentParser) -> None:
    """What can be said after `sesamoid audit`."""
    parser.add_argument("action", choices=["verify", "export"])
    parser.add_argument("--expect", default="", metavar="DIGEST", help="a digest kept elsewhere")
    parser.add_argument("--since", metavar="DATE", help="export from this day or moment on (UTC)")
    parser.add_argument("--output", type=Path, metavar="FILE", help="instead of standard output")


def run(options: argparse.Namespace, settings: Settings) -> int:
    """Verify or export; 1 when the trail is not as it was written."""
    store = site_store(settings)
    try:
        if options.action == "verify":
            return _verify(store, options.expect)
        if options.output is None:
            count = _export(store, settings, options.since, sys.stdout.buffer)
        else:
            try:
                with options.output.open("wb") as out:
                    count = _export(store, settings, options.since, out)
            except OSError as error:
                raise Refused(f"{options.output} cannot be written: {error.strerror}.") from error
        store.audit(
            "audit log exported",
            user=getpass.getuser(),
            detail=f"{count} events, by command",
            at=datetime.now(UTC),
        )
    finally:
        store.close()
    return 0


def _verify(store: Store, expected: str) -> int:
    check = store.audit_verify(expected.strip().lower())
    if not check.why:
        print(f"{check.count} events, all as they were written.\ndigest {check.head}")
        return 0
    where = f"Event {check.broken_at}" if check.broken_at else "The trail"
    print(f"{where} {check.why}." if check.broken_at else f"{where} was changed: {check.why}.")
    print(f"The last good digest is {check.head}.")
    return 1


def _export(store: Store, settings: Settings, since: str | None, out: BinaryIO) -> int:
    start = _moment(since)
    last = count = 0
    while rows := store.audit_after(last):
        for row in rows:
            if start is None or row.at >= start:
                study = store.study(row.study_uid) if row.study_uid else None
                out.write(audit_message(row, study, origin_of(settings, row)) + b"\n")
                count += 1
        last = rows[-1].id
    return count


def _moment(text: str | None) -> datetime | None:
    if text is None:
        return None
    try:
        made = datetime.fromisoformat(text)
    except ValueError as error:
        raise Refused(f"--since {text} is no date: write 2026-03-01.") from error
    return made if made.tzinfo else made.replace(tzinfo=UTC)
