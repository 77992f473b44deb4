"""Storing (STOW-RS, PS3.18 10.5): each part is streamed to disk and accepted like a C-STORE."""

import logging
import uuid
from collections.abc import Iterator
from pathlib import Path
from typing import Any

from flask import Blueprint, Response, request

from dicom_service.errors import BadObject, Refused, SesamoidError, TryLater, outcome_of
from dicom_service.node.services import plain
from dicom_service.quiet_logs import said_in_log
from dicom_service.store import InstanceHeader, full_disk_named
from dicom_service.web.dicomweb.incoming import read_instance_header
from dicom_service.web.dicomweb.metadata import to_json
from dicom_service.web.dicomweb.multipart import Parts
from dicom_service.web.dicomweb.objects import PREFIX, absolute, study_address
from dicom_service.web.dicomweb.qido import DICOM_JSON
from dicom_service.web.gate import site_to_store
from dicom_service.web.session import signed_in
from dicom_service.web.site import site

log = logging.getLogger(__name__)

LARGEST_OBJECT = 512 << 20
LARGEST_COUNT = 2000


def add_routes(blueprint: Blueprint) -> None:
    """Put the storing at its addresses."""
    blueprint.add_url_rule("/studies", view_func=store_objects, methods=["POST"])
    blueprint.add_url_rule("/studies/<study>", view_func=store_objects, methods=["POST"])


def store_objects(study: str | None = None) -> Response:
    """Store every part of the message; a failed part does not stop the others."""
    if request.mimetype != "multipart/related":
        raise Refused("Objects are stored as multipart/related of application/dicom.")
    if request.mimetype_params.get("type", "application/dicom") != "application/dicom":
        raise Refused("Only parts of the type application/dicom are stored here.")
    stored: list[InstanceHeader] = []
    failed: list[dict[str, Any]] = []
    errors: list[SesamoidError] = []
    source = f"web: {signed_in().user.name}"
    parts = Parts(request.stream, request.mimetype_params.get("boundary", ""))
    for number, content in enumerate(parts):
        if number >= LARGEST_COUNT:
            raise Refused(f"More than {LARGEST_COUNT} objects in one message are not stored.")
        header = None
        try:
            temp = _received(content)
            try:
                header = read_instance_header(temp)
                _check_study(header, study)
                where = site_to_store(header.study_uid)
                site().store.accept(temp, header, source=source, site=where)
            finally:
                temp.unlink(missing_ok=True)
            stored.append(header)
        except SesamoidError as error:
            said = plain(said_in_log(error), 400)
            log.warning("object from %s refused: %s", plain(source), said)
            errors.append(error)
            failed.append(_failed(header, error))
    if stored:
        site().on_stored()
    return _answer(stored, failed, errors)


def _received(content: Iterator[bytes]) -> Path:
    """The part in a file in the folder for what comes in."""
    store = site().store
    temp = store.incoming / f"{uuid.uuid4().hex}.stow"
    size = 0
    try:
        with full_disk_named(store.folder), temp.open("xb") as file:
            for chunk in content:
                size += len(chunk)
                if size > LARGEST_OBJECT:
                    raise BadObject(f"An object is larger than {LARGEST_OBJECT >> 20} MiB.")
                file.write(chunk)
    except BaseException:
        temp.unlink(missing_ok=True)
        raise
    return temp


def _check_study(header: InstanceHeader, study: str | None) -> None:
    if study is not None and header.study_uid != study:
        raise BadObject(f"The object is of study {header.study_uid}, not of {study}.")


def _failed(header: InstanceHeader | None, error: SesamoidError) -> dict[str, Any]:
    item = _reference(header) if header else {}
    return item | {"00081197": {"vr": "US", "Value": [outcome_of(error).dimse]}}


def _reference(header: InstanceHeader) -> dict[str, Any]:
    return {
        "00081150": {"vr": "UI", "Value": [header.sop_class_uid]},
        "00081155": {"vr": "UI", "Value": [header.sop_instance_uid]},
    }


def _answer(
    stored: list[InstanceHeader], failed: list[dict[str, Any]], errors: list[SesamoidError]
) -> Response:
    if not stored and not failed:
        raise BadObject("The message holds no object.")
    body: dict[str, Any] = {}
    studies = {header.study_uid for header in stored}
    if len(studies) == 1:
        body["00081190"] = {"vr": "UR", "Value": [absolute(study_address(studies.pop()))]}
    if stored:
        body["00081199"] = {"vr": "SQ", "Value": [_stored(header) for header in stored]}
    if failed:
        body["00081198"] = {"vr": "SQ", "Value": failed}
    status = 200 if not failed else 202 if stored else 409
    later = next((error for error in errors if isinstance(error, TryLater)), None)
    if status == 409 and later is not None:
        status = outcome_of(later).http
    answer = Response(to_json(body), status=status, content_type=DICOM_JSON)
    if errors:
        sentence = str(errors[0]).encode("ascii", "replace").decode().replace('"', "'")
        answer.headers["Warning"] = f'299 sesamoid "{sentence[:300]}"'
    return answer


def _stored(header: InstanceHeader) -> dict[str, Any]:
    place = (
        f"{PREFIX}/studies/{header.study_uid}/series/{header.series_uid}"
        f"/instances/{header.sop_instance_uid}"
    )
    return _reference(header) | {"00081190": {"vr": "UR", "Value": [absolute(place)]}}
