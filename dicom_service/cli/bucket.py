"""`sesamoid bucket`: whether bucket and index agree, and the way back into the data folder."""

import argparse
from datetime import UTC, datetime

from dicom_service.settings import Settings
from dicom_service.site import site_store
from dicom_service.store.comparing import Compared, compare, leave, mend


def arguments(sub: argparse.ArgumentParser) -> None:
    """What to do."""
    sub.add_argument("action", choices=["check", "mend", "leave"])


def run(options: argparse.Namespace, settings: Settings) -> int:
    """Compare, put right what can be, or bring everything back."""
    store = site_store(settings, exclusive=options.action == "leave")
    try:
        if options.action == "leave":
            found = leave(store)
            store.audit("objects brought back", detail=f"{found.objects}", at=datetime.now(UTC))
            _tell(found)
            print(f"They are in {store.folder}. Take name out of [bucket] now; nothing in the")
            print("bucket is needed any more.")
            return 0
        found = compare(store)
        _tell(found)
        if options.action == "mend":
            mend(store, found)
            print("Lost objects are hidden until they are sent again; unknown ones are removed.")
    finally:
        store.close()
    return 1 if found.lost and options.action == "check" else 0


def _tell(found: Compared) -> None:
    print(f"{found.objects} objects are where the index says.")
    for names, what in (
        (found.lost, "are lost: send their studies again, or restore a backup"),
        (found.unknown, "are in the bucket for a day and nothing names them"),
        (found.back, "are there although the index has them as dropped or lost"),
    ):
        if names:
            print(f"{len(names)} {what}: {', '.join(sorted(names)[:5])}")
