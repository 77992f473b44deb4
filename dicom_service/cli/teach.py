"""`sesamoid teach`: a signed study as a case for teaching, without names."""

import argparse

from dicom_service.settings import Settings
from dicom_service.site import site_store
from dicom_service.teaching import teaching_case, write_case
from dicom_service.workflow import Desk
from dicom_service.workflow.of_site import at_site_of


def run(options: argparse.Namespace, settings: Settings) -> int:
    """Write the case of one study into a new folder."""
    store = site_store(settings)
    try:
        desk = Desk(store, settings)
        case = teaching_case(at_site_of(desk, options.study_uid), options.study_uid)
        files = write_case(case, options.folder)
        store.audit("teaching case exported", study_uid=options.study_uid, at=desk.clock())
    finally:
        store.close()
    print(f"Wrote {len(files)} files to {options.folder}; open index.html for the page.")
    for note in case.notes:
        print(note)
    return 0
