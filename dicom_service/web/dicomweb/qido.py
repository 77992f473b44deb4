"""Searching (QIDO-RS): studies, series of a study, instances of a study or series."""

from collections.abc import Iterator
from itertools import groupby, islice
from typing import Any, get_args

from flask import Blueprint, Response, request
from pydicom.datadict import dictionary_VR

from dicom_service.errors import Refused
from dicom_service.store import StoredInstance
from dicom_service.store.model import StudyState
from dicom_service.web.dicomweb import matching
from dicom_service.web.dicomweb.metadata import metadata, to_json
from dicom_service.web.dicomweb.objects import (
    absolute,
    address,
    objects_of,
    series_address,
    shown,
    study_address,
)
from dicom_service.web.gate import check_seen, is_seen, sites_seen
from dicom_service.web.site import site
from dicom_service.web.uids import check_uid

DICOM_JSON = "application/dicom+json"
LARGEST_ANSWER = 1000
LARGEST_SEARCH = 20_000
"""Studies that are looked at for one search; the newest come first."""
_PAGES = (50, 200)
"""Studies that are looked up at once: the first time, and after that."""

STUDY, PATIENT_ID = "0020000D", "00100020"
_STUDY_FIELDS = (
    "00080020", "00080030", "00080050", "00080090", "00080201", "00081030", "00100010",
    "00100020", "00100030", "00100040", "00102201", "00102292", "00102297", "0020000D",
    "00200010",
)  # fmt: skip
_SERIES_FIELDS = (
    "00080021", "00080031", "00080060", "0008103E", "0020000D", "0020000E", "00200011",
    "00400244", "00400245",
)  # fmt: skip
_INSTANCE_FIELDS = (
    "00080016", "00080018", "00080060", "0020000D", "0020000E", "00200011", "00200013",
    "00280008", "00280010", "00280011", "00280100", "00083002",
)  # fmt: skip


def add_routes(blueprint: Blueprint) -> None:
    """Put the searches at their addresses."""
    add = blueprint.add_url_rule
    add("/studies", view_func=search_studies)
    add("/series", "series_of_named_study", search_series)
    add("/instances", "instances_of_named_study", search_instances)
    add("/studies/<study>/series", view_func=search_series)
    add("/studies/<study>/instances", view_func=search_instances)
    add("/studies/<study>/series/<series>/instances", view_func=search_instances)


def search_studies() -> Response:
    """Studies, newest arrival first."""
    wanted = _conditions()
    fields = _STUDY_FIELDS + _included()
    searched = 0

    def records() -> Iterator[dict[str, Any]]:
        nonlocal searched
        for page in _candidates(wanted):
            searched += len(page)
            for found in map(shown, site().store.instances_of(page).values()):
                if found and matching.matches(record := _study_record(found), wanted):
                    yield _picked(record, fields, ("00080056", "00080061", "00081190",
                                                   "00201206", "00201208"))  # fmt: skip

    answer = _answer(records())
    if searched >= LARGEST_SEARCH:
        answer.headers["Warning"] = (
            f'299 sesamoid "Only the newest {LARGEST_SEARCH} studies were searched"'
        )
    return answer


def search_series(study: str | None = None) -> Response:
    """Series of one study."""
    study = study or _named_study()
    wanted = _conditions()
    fields = _SERIES_FIELDS + _included()
    found = objects_of(study)

    def records() -> Iterator[dict[str, Any]]:
        for _, group in groupby(found, key=lambda row: row.series_uid):
            rows = list(group)
            record = metadata(rows[0]) | {
                "00081190": _value("UR", absolute(series_address(rows[0]))),
                "00201209": _value("IS", len(rows)),
            }
            if matching.matches(record, wanted):
                yield _picked(record, fields, ("00081190", "00201209"))

    return _answer(records())


def search_instances(study: str | None = None, series: str | None = None) -> Response:
    """Instances of one study or series."""
    study = study or _named_study()
    wanted = _conditions()
    fields = _INSTANCE_FIELDS + _included()
    found = objects_of(study, series)

    def records() -> Iterator[dict[str, Any]]:
        for row in found:
            record = metadata(row) | {
                "00080056": _value("CS", "ONLINE"),
                "00081190": _value("UR", absolute(address(row))),
            }
            if matching.matches(record, wanted):
                yield _picked(record, fields, ("00080056", "00081190"))

    return _answer(records())


def _candidates(wanted: dict[str, str]) -> Iterator[list[str]]:
    """UIDs of studies that may match by what the index can tell, some at a time."""
    store = site().store
    if STUDY in wanted:
        uids = wanted[STUDY].replace("\\", ",").split(",")[:LARGEST_ANSWER]
        found = (uid for uid in map(check_uid, uids) if store.study(uid) is not None)
        yield [uid for uid in found if is_seen(uid)]
        return
    patient = wanted.get(PATIENT_ID, "")
    exact = "" if set(patient) & set("*?") else patient
    searched, size = 0, _PAGES[0]
    while searched < LARGEST_SEARCH:
        page = store.studies(
            states=get_args(StudyState),
            patient_id=exact,
            sites=sites_seen(),
            limit=size,
            offset=searched,
        )
        yield [row.study_uid for row in page]
        searched += len(page)
        if len(page) < size:
            return
        size = _PAGES[1]


def _study_record(found: list[StoredInstance]) -> dict[str, Any]:
    """What is known of a study; its own attributes are those of its first image."""
    first = next((row for row in found if row.makes_work), found[0])
    modalities = list(dict.fromkeys(row.modality for row in found if row.modality))
    return metadata(first) | {
        "00080056": _value("CS", "ONLINE"),
        "00080061": {"vr": "CS", "Value": modalities},
        "00081190": _value("UR", absolute(study_address(first.study_uid))),
        "00201206": _value("IS", len({row.series_uid for row in found})),
        "00201208": _value("IS", len(found)),
    }


def _picked(
    record: dict[str, Any], fields: tuple[str, ...], computed: tuple[str, ...]
) -> dict[str, Any]:
    """The wanted attributes; the usual ones are there even when they are empty."""
    tags = sorted({*fields, *computed})
    return {tag: record.get(tag) or {"vr": _vr(tag)} for tag in tags if tag in record or _vr(tag)}


def _vr(tag: str) -> str:
    try:
        return dictionary_VR(int(tag, 16))
    except KeyError:
        return ""


def _value(vr: str, value: object) -> dict[str, Any]:
    return {"vr": vr, "Value": [value]}


def _conditions() -> dict[str, str]:
    if request.args.get("fuzzymatching", "false") not in ("false", ""):
        raise Refused("Fuzzy matching is not offered here (fuzzymatching=false).")
    return matching.conditions(request.args.items(multi=True))


def _included() -> tuple[str, ...]:
    return tuple(matching.included(request.args.getlist("includefield")))


def _named_study() -> str:
    uid = request.args.get("StudyInstanceUID") or request.args.get(STUDY)
    if not uid:
        raise Refused("Name the study: search below /studies/{UID} or give StudyInstanceUID.")
    check_seen(check_uid(uid))
    return uid


def _number(name: str, default: int) -> int:
    text = request.args.get(name) or str(default)
    if not (text.isascii() and text.isdigit() and len(text) < 12):
        raise Refused(f"{name}={text[:20]} is not a whole number.")
    return int(text)


def _answer(records: Iterator[dict[str, Any]]) -> Response:
    offset = _number("offset", 0)
    limit = min(_number("limit", LARGEST_ANSWER), LARGEST_ANSWER)
    found = list(islice(records, offset, offset + limit))
    if not found:
        return Response(status=204)
    return Response(to_json(found), content_type=DICOM_JSON)
