"""Values that a document cannot take over from the images as they are, in words."""

import re
from collections.abc import Iterator, Sequence

from pydicom import Dataset
from pydicom.datadict import dictionary_description, tag_for_keyword

from dicom_service.intake.fitting import (
    IDENTIFIERS,
    PATIENT_AND_STUDY,
    fault,
    fitted,
    plain_value,
)
from dicom_service.intake.model import Remark
from dicom_service.intake.values import text

_UIDS = ("StudyInstanceUID", "SeriesInstanceUID", "SOPInstanceUID")
_LEADING_ZERO = re.compile(r"(^|\.)0\d")


def unfit_values(headers: Sequence[Dataset]) -> Iterator[Remark]:
    """A remark on each attribute whose value breaks the standard, and on such UIDs together."""
    for keyword in PATIENT_AND_STUDY:
        remark = next(filter(None, (_remark(header, keyword) for header in headers)), None)
        if remark is not None:
            yield remark
    if any(_LEADING_ZERO.search(text(header, uid)) for header in headers for uid in _UIDS):
        yield Remark(
            key="uid_leading_zero",
            severity="note",
            text="UIDs of these images have numbers with leading zeros, which DICOM does not "
            "allow; documents name the images by them all the same. Tell the camera's maker.",
        )


def _remark(header: Dataset, keyword: str) -> Remark | None:
    tag = tag_for_keyword(keyword)
    if tag is None or not text(header, keyword):
        return None
    written = plain_value(header, keyword)
    why = fault(keyword, written)
    if not why:
        return None
    kept = fitted(keyword, written)
    instead = f"carry '{kept}'" if kept else "leave it out"
    return Remark(
        key="value_unfit",
        severity="warning" if keyword in IDENTIFIERS else "note",
        text=f"{dictionary_description(tag)} {why}, which DICOM does not allow: documents "
        f"{instead} and keep what the images have beside it. Correct it in the practice system "
        "or at the camera.",
    )
