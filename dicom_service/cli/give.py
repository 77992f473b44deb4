"""`sesamoid give`: a study becomes another site's."""

import argparse
import getpass
from datetime import UTC, datetime

from dicom_service.errors import Refused
from dicom_service.settings import Settings
from dicom_service.site import site_store
from dicom_service.site_settings import UNNAMED


def arguments(sub: argparse.ArgumentParser) -> None:
    """Arguments of the command."""
    sub.add_argument("study_uid", metavar="STUDY_UID")
    sub.add_argument("site", metavar="SITE", help='its id; "" for the site without a name')
    sub.add_argument("--reason", required=True, help="kept in the audit trail of both sites")


def run(options: argparse.Namespace, settings: Settings) -> int:
    """Give the study to the site; a node may be running meanwhile."""
    if options.site not in (UNNAMED, *settings.site_ids):
        names = ", ".join(settings.site_ids) or "none"
        raise Refused(f"There is no site {options.site}; the settings have: {names}.")
    store = site_store(settings)
    try:
        owed = store.give_study(
            options.study_uid,
            options.site,
            archive=settings.at(options.site).archive,
            reason=options.reason,
            user=f"{getpass.getuser()} at the command line",
            at=datetime.now(UTC),
        )
    finally:
        store.close()
    print(f"It is of {options.site or 'the site without a name'} now, with its reports.")
    if owed:
        print(f"{owed} documents are owed to the archive there.")
    return 0
