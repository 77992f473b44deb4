"""`sesamoid backup` and `sesamoid restore`."""

import argparse
import getpass
from datetime import UTC, datetime
from pathlib import Path

from dicom_service.settings import Settings
from dicom_service.site import site_store
from dicom_service.store.backup import back_up, restore


def run_backup(options: argparse.Namespace, settings: Settings) -> int:
    """Bring the backup in a folder up to date; a node may be running."""
    at, data = datetime.now(UTC), Path(settings.data_folder)
    done = back_up(
        data,
        options.folder,
        user=getpass.getuser(),
        at=at,
        index_url=settings.index_url,
        elsewhere=settings.bucket.elsewhere(),
    )
    print(
        f"{options.folder} holds {done.objects} objects; {done.copied} were new "
        f"({done.size / 1e6:.1f} MB)."
    )
    if done.missing:
        print(f"{done.missing} objects have no file here any more: dropped, or lost.")
    return 0


def run_restore(options: argparse.Namespace, settings: Settings) -> int:
    """Make the data folder anew from a backup, and look through it as a node does at its start."""
    data = Path(settings.data_folder)
    done = restore(options.folder, data, settings.index_url)
    store = site_store(settings, exclusive=True)
    try:
        swept = store.sweep()
        store.drain()
    finally:
        store.close()
    print(f"{data} holds {done.objects} objects, each checked. {swept.sentence}".rstrip())
    print("What was signed after the backup is in the archive; what was delivered is sent again.")
    return 0
