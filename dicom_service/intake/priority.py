"""How urgent the request of a study says that it is."""

from collections.abc import Sequence

from pydicom.dataset import Dataset

_WORDS = {"STAT": 2, "HIGH": 1}
"""Requested Procedure Priority (PS3.3 C.4.11): STAT, HIGH, ROUTINE, MEDIUM, LOW. The retired
Study Priority ID (C.3.5) has HIGH, MED and LOW."""
_KEYWORDS = ("RequestedProcedurePriority", "StudyPriorityID")


def request_priority(headers: Sequence[Dataset]) -> int:
    """0 routine or not said, 1 urgent, 2 immediate: the most urgent that any header says."""
    return max((_said(header) for header in headers), default=0)


def _said(header: Dataset) -> int:
    requests = header.get("RequestAttributesSequence") or ()
    values = [place.get(word) for place in (header, *requests) for word in _KEYWORDS]
    return max(_WORDS.get(str(value or "").strip().upper(), 0) for value in values)
