"""Deciding, as an administrator, about objects that came again with other content."""

from typing import Any, Literal

from flask import Blueprint, Response, jsonify
from pydantic import Field, ValidationError

from dicom_service.base import Frozen
from dicom_service.node.conflicts import conflict, copy_header
from dicom_service.store import QuarantineRow
from dicom_service.store.quarantine import nothing_there
from dicom_service.web.admin import LARGEST_PAGE, administered, administrator
from dicom_service.web.languages import said
from dicom_service.web.problems import wrong_json
from dicom_service.web.session import json_body
from dicom_service.web.site import site

blueprint = Blueprint("quarantine", __name__, url_prefix="/api/admin/quarantine")


class Decided(Frozen):
    """What is to become of a copy, and why."""

    decision: Literal["keep", "replace", "discard"]
    reason: str = Field(default="", max_length=2000)


@blueprint.get("")
def copies() -> Response:
    """Objects that came again with other content, newest first."""
    administrator()
    found = site().store.quarantined(sites=administered())
    return jsonify({"rows": [_aside(row) for row in found[:LARGEST_PAGE]]})


@blueprint.get("/<int:copy>")
def compare(copy: int) -> Response:
    """The attributes in which a copy differs from the object that is in use."""
    administrator()
    _theirs(copy)
    found = conflict(site().store, copy)
    differences = [
        {"tag": d.tag, "name": said(d.name), "first": _value(d.first), "second": _value(d.second)}
        for d in found.differences
    ]
    stored = found.stored
    first = {"source": stored.source, "received_at": stored.received_at.isoformat()}
    return jsonify({"copy": _aside(found.copy), "first": first, "differences": differences})


@blueprint.post("/<int:copy>")
def decide(copy: int) -> Response:
    """Keep the first copy, put the second in its place, or discard the second."""
    user = administrator().user.name
    try:
        asked = Decided.model_validate(json_body())
    except ValidationError as error:
        raise wrong_json(error, "decision") from error
    store = site().store
    row = _theirs(copy)
    store.decide_quarantined(
        copy,
        asked.decision,
        header=copy_header(row.path) if asked.decision == "replace" else None,
        reason=asked.reason,
        user=user,
        at=site().clock(),
    )
    if asked.decision == "replace":
        site().on_stored()
    return jsonify({"decision": asked.decision})


def _value(text: str) -> str:
    """What stands for a value is translated, a value never."""
    return said(text) if text in ("(not there)", "(empty)") or " bytes, SHA-256 " in text else text


def _theirs(copy: int) -> QuarantineRow:
    """A copy of a study that the caller looks after; of another as if there were none."""
    row, mine = site().store.quarantined_copy(copy), administered()
    if mine is not None and row.site not in mine:
        raise nothing_there(copy)
    return row


def _aside(row: QuarantineRow) -> dict[str, Any]:
    study = site().store.study(row.study_uid)
    named = {
        "patient_name": study.patient_name if study else "",
        "patient_id": study.patient_id if study else "",
        "size": row.blob.size,
    }
    return row.model_dump(mode="json") | named
