"""The desk as it is for the site of a study: its title, its archive, its words."""

import copy
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from dicom_service.workflow.desk import Desk


def at_site_of(desk: "Desk", study_uid: str) -> "Desk":
    """The same desk with the settings, the peers and the device of the study's site."""
    if not desk.settings.sites:
        return desk
    site = desk.store.site_of(study_uid) or ""
    there = copy.copy(desk)
    there.settings, there.roster = desk.settings.at(site), desk.roster.at(site)
    there.device = desk.device.model_copy(
        update={
            "station_name": there.settings.ae_title,
            "institution": there.settings.institution,
        }
    )
    return there
