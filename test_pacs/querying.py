"""Queries of the hierarchical models (PS3.4 C.4): which objects, and what is answered."""

from collections.abc import Iterable, Iterator
from copy import deepcopy

from pydicom import Dataset
from pydicom.datadict import keyword_for_tag
from pydicom.dataelem import DataElement

from test_pacs.catalog import Entry
from test_pacs.matching import matches, texts

ROOTS = {
    "1.2.840.10008.5.1.4.1.2.1.1": "PATIENT",  # FIND
    "1.2.840.10008.5.1.4.1.2.1.2": "PATIENT",  # MOVE
    "1.2.840.10008.5.1.4.1.2.1.3": "PATIENT",  # GET
    "1.2.840.10008.5.1.4.1.2.2.1": "STUDY",
    "1.2.840.10008.5.1.4.1.2.2.2": "STUDY",
    "1.2.840.10008.5.1.4.1.2.2.3": "STUDY",
}
"""The root of each Query/Retrieve information model."""
GET_MODELS = {"1.2.840.10008.5.1.4.1.2.1.3", "1.2.840.10008.5.1.4.1.2.2.3"}
UNIQUE_KEYS = {
    "PATIENT": "PatientID",
    "STUDY": "StudyInstanceUID",
    "SERIES": "SeriesInstanceUID",
    "IMAGE": "SOPInstanceUID",
}
LEVELS = {
    "PATIENT": ("PATIENT", "STUDY", "SERIES", "IMAGE"),
    "STUDY": ("STUDY", "SERIES", "IMAGE"),
}
_COUNTED = {
    "ModalitiesInStudy",
    "SOPClassesInStudy",
    "NumberOfStudyRelatedSeries",
    "NumberOfStudyRelatedInstances",
    "NumberOfSeriesRelatedInstances",
    "NumberOfPatientRelatedStudies",
}
_NO_KEYS = {"QueryRetrieveLevel", "SpecificCharacterSet", "TimezoneOffsetFromUTC"}


class BadQuery(ValueError):
    """The identifier does not fit its level; answered with status 0xA900."""


def level_of(query: Dataset, root: str) -> str:
    """The level of `query`, checked: every unique key above it must have one value."""
    level = str(query.get("QueryRetrieveLevel", "")).strip()
    levels = LEVELS[root]
    if level not in levels:
        raise BadQuery(f"QueryRetrieveLevel '{level}' is not one of {', '.join(levels)}")
    for above in levels[: levels.index(level)]:
        keyword = UNIQUE_KEYS[above]
        if not query.get(keyword):
            raise BadQuery(f"a query at {level} level needs one value of {keyword}")
    return level


def answers(entries: Iterable[Entry], query: Dataset, root: str) -> list[Dataset]:
    """One answer for each patient, study, series or object that matches `query`."""
    level = level_of(query, root)
    groups: dict[str, list[Entry]] = {}
    for entry in entries:
        groups.setdefault(str(entry.header.get(UNIQUE_KEYS[level], "")), []).append(entry)
    keys = _plain_keys(query)
    found = []
    for group in groups.values():
        described = _described(group)
        if any(matches(keys, e.header) for e in group) and matches(_counted(query), described):
            found.append(_answer(query, group[0].header, described, level))
    return found


def more_answers(query: Dataset, count: int) -> Iterator[Dataset]:
    """That many studies which the archive does not have, as answers to `query`."""
    for number in range(1, count + 1):
        answer = deepcopy(query)
        answer.StudyInstanceUID = f"2.25.7777.{number}"
        answer.StudyDate = "20200101"
        yield answer


def selected(entries: Iterable[Entry], query: Dataset, root: str) -> list[Entry]:
    """The objects that a C-MOVE or C-GET with this identifier asks for."""
    level = level_of(query, root)
    if not query.get(UNIQUE_KEYS[level]):
        raise BadQuery(f"retrieving at {level} level needs {UNIQUE_KEYS[level]}")
    keys = Dataset()
    for name in UNIQUE_KEYS.values():
        if query.get(name):
            keys.add(query[name])
    return [entry for entry in entries if matches(keys, entry.header)]


def _plain_keys(query: Dataset) -> Dataset:
    keys = Dataset()
    for element in query:
        if keyword_for_tag(element.tag) not in _NO_KEYS | _COUNTED:
            keys.add(element)
    return keys


def _counted(query: Dataset) -> Dataset:
    keys = Dataset()
    for element in query:
        if keyword_for_tag(element.tag) in _COUNTED:
            keys.add(element)
    return keys


def _described(group: list[Entry]) -> Dataset:
    """What the archive counts over the objects of one answer."""
    headers = [entry.header for entry in group]
    counted = Dataset()
    counted.ModalitiesInStudy = sorted({str(h.get("Modality", "")) for h in headers} - {""})
    counted.SOPClassesInStudy = sorted({str(h.SOPClassUID) for h in headers})
    counted.NumberOfPatientRelatedStudies = len({h.get("StudyInstanceUID") for h in headers})
    counted.NumberOfStudyRelatedSeries = len({h.get("SeriesInstanceUID") for h in headers})
    counted.NumberOfStudyRelatedInstances = len(group)
    counted.NumberOfSeriesRelatedInstances = len(group)
    return counted


def _answer(query: Dataset, header: Dataset, described: Dataset, level: str) -> Dataset:
    answer = Dataset()
    answer.SpecificCharacterSet = "ISO_IR 192"
    for key in query:
        name = keyword_for_tag(key.tag)
        if name not in _NO_KEYS:
            answer.add(_returned(key, described if name in _COUNTED else header))
    answer.QueryRetrieveLevel = level
    unique = UNIQUE_KEYS[level]
    answer.add(_returned(DataElement(unique, "LO", ""), header))
    return answer


def _returned(key: DataElement, source: Dataset) -> DataElement:
    """The element that answers `key`; text is decoded so that it is sent as UTF-8."""
    if key.tag not in source:
        return DataElement(key.tag, key.VR, [] if key.VR == "SQ" else None)
    element = source[key.tag]
    if element.VR not in {"PN", "LO", "SH", "ST", "LT", "UT", "UC"}:
        return element
    values = texts(element)
    return DataElement(key.tag, element.VR, values if len(values) > 1 else "".join(values))
