"""Which version of a report is the one to go by.

Archives do not tell the flags of a document when they are queried, so whoever has the documents
(or their headers) must decide; PS3.3 C.17.2.7: the newest verification of a final, verified one.
"""

from collections.abc import Iterable
from datetime import datetime

from pydantic import AwareDatetime
from pydicom.dataset import Dataset

from dicom_service.base import Frozen
from dicom_service.codes import get
from dicom_service.intake.fitting import plain_value
from dicom_service.report.from_tree import time_of
from dicom_service.report.walk import name_of


class Version(Frozen):
    """What identifies one signed version of a report."""

    sop_instance_uid: str
    signed_at: AwareDatetime
    signed_by: str = ""
    series_uid: str = ""
    replaces: tuple[str, ...] = ()
    """SOP Instance UIDs of the documents that it continues or replaces."""


def version_of(document: Dataset) -> Version | None:
    """The version that a document is; None: a measurement document, or none to go by."""
    if name_of(document) != get("diagnostic_imaging_report").key:
        return None
    if document.get("VerificationFlag") != "VERIFIED":
        return None
    if document.get("PreliminaryFlag", "FINAL") != "FINAL":
        return None
    newest: tuple[datetime, str] | None = None
    for observer in document.get("VerifyingObserverSequence") or []:
        at = _moment(document, plain_value(observer, "VerificationDateTime"))
        if at is not None and (newest is None or at > newest[0]):
            newest = (at, plain_value(observer, "VerifyingObserverName"))
    if newest is None:
        return None
    return Version(
        sop_instance_uid=plain_value(document, "SOPInstanceUID"),
        signed_at=newest[0],
        signed_by=newest[1],
        series_uid=plain_value(document, "SeriesInstanceUID"),
        replaces=tuple(
            plain_value(row, "ReferencedSOPInstanceUID")
            for study in document.get("PredecessorDocumentsSequence") or []
            for series in study.get("ReferencedSeriesSequence") or []
            for row in series.get("ReferencedSOPSequence") or []
        ),
    )


def prevailing(versions: Iterable[Version]) -> Version | None:
    """The version to go by: not named by another one, and the newest of those."""
    known = list(versions)
    named = {uid for version in known for uid in version.replaces}
    open_ends = [version for version in known if version.sop_instance_uid not in named]
    return max(open_ends or known, key=lambda version: version.signed_at, default=None)


def newer_in_archive(ours: Iterable[Version], held: Iterable[Version]) -> tuple[Version, ...]:
    """Versions that the archive holds, that we do not have and that come after ours.

    Parameters
    ----------
    ours
        Every signed version of one study's report that this node has.
    held
        Those of the same study that the archive holds, in any order.

    Returns
    -------
    tuple of Version
        Oldest first; those that name one of ours, or one that does, as what they replace, and
        those that were signed later than all of ours.
    """
    known = {version.sop_instance_uid: version for version in ours}
    last = max((version.signed_at for version in known.values()), default=None)
    strangers = {v.sop_instance_uid: v for v in held if v.sop_instance_uid not in known}
    after = set(known)
    grown = True
    while grown:
        followers = {uid for uid, v in strangers.items() if after & set(v.replaces)}
        grown = not followers <= after
        after |= followers
    newer = [
        version
        for uid, version in strangers.items()
        if uid in after or last is None or version.signed_at > last
    ]
    return tuple(sorted(newer, key=lambda version: version.signed_at))


def _moment(document: Dataset, text: str) -> datetime | None:
    """A DT value; without an offset it is in the document's own time zone, else in UTC."""
    offset = plain_value(document, "TimezoneOffsetFromUTC") or "+0000"
    zoned = text if "+" in text or "-" in text[8:] else f"{text}{offset}"
    try:
        return time_of(zoned)
    except ValueError:
        return None
