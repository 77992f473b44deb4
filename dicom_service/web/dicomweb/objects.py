"""Finding stored objects for a request."""

from flask import request

from dicom_service.errors import NotFound
from dicom_service.store import StoredInstance
from dicom_service.web.site import site

PREFIX = "/dicomweb"


def objects_of(
    study: str, series: str | None = None, instance: str | None = None
) -> list[StoredInstance]:
    """The stored objects that an address names; those nobody reads only when asked for.

    Raises
    ------
    NotFound
        There are none.
    """
    found = site().store.instances(study, series, instance)
    if instance is None:
        found = shown(found)
    if not found:
        what = "object" if instance else "series" if series else "study"
        raise NotFound(f"No {what} {instance or series or study} is on this node.")
    return found


def shown(found: list[StoredInstance]) -> list[StoredInstance]:
    """All objects but the images that nobody reads; all with `everything=true`."""
    if request.args.get("everything") == "true":
        return found
    return [row for row in found if row.makes_work or not row.rows]


def study_address(study: str) -> str:
    """Address of a study on this node."""
    return f"{PREFIX}/studies/{study}"


def series_address(row: StoredInstance) -> str:
    """Address of an object's series."""
    return f"{study_address(row.study_uid)}/series/{row.series_uid}"


def address(row: StoredInstance) -> str:
    """Address of an object."""
    return f"{series_address(row)}/instances/{row.sop_instance_uid}"


def absolute(path: str) -> str:
    """The address with scheme and host, as retrieve URLs need it."""
    return request.host_url.rstrip("/") + path
