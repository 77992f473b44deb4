"""What the reading list asks for, as JSON."""

from functools import lru_cache
from typing import Any, get_args

from flask import Blueprint, Response, jsonify, request
from pydantic import Field, ValidationError

from dicom_service.base import Frozen
from dicom_service.errors import NotAllowed, Refused
from dicom_service.store import ListedStudy, ListQuery, Store
from dicom_service.store.model import StudyState
from dicom_service.web.gate import sites_seen
from dicom_service.web.languages import said
from dicom_service.web.problems import wrong_json
from dicom_service.web.queries import number, unless_known
from dicom_service.web.session import json_body, roles_here, signed_in
from dicom_service.web.site import site
from dicom_service.web.uids import check_address

LARGEST_PAGE = 500

blueprint = Blueprint("reading_list", __name__, url_prefix="/api/studies")
blueprint.url_value_preprocessor(check_address)


class Priority(Frozen):
    """How urgent a study is: 0 routine, 1 urgent, 2 immediate."""

    priority: int = Field(ge=0, le=2)


@blueprint.get("")
def studies() -> Response:
    """The reading list, one page of it, and how much there is in each stage of the work."""
    user = signed_in().user.name
    site().seeing.note("reading list seen", user)
    store, query = site().store, _query(user)
    limit, offset = number("limit", 100, LARGEST_PAGE), number("offset", 0, 10**9)
    page = store.page(query, limit, offset)
    answer = {
        "total": page.total,
        "more": page.more,
        "stages": store.stages(query.sites),
        "studies": [_shown(row) for row in page.rows],
    }
    return unless_known(jsonify(answer))


@blueprint.post("/<study>/priority")
def set_priority(study: str) -> Response:
    """Say how urgent a study is; wins over what the request said."""
    user = signed_in().user
    if not roles_here(user):
        raise NotAllowed(f"{user.name} has no role, so may not change the list.")
    try:
        asked = Priority.model_validate(json_body())
    except ValidationError as error:
        raise wrong_json(error, "priority") from error
    site().store.set_priority(study, asked.priority, user=user.name, at=site().clock())
    return jsonify({"priority": asked.priority, "priority_by": user.name})


def _query(user: str) -> ListQuery:
    states = [state for state in request.args.get("state", "").split(",") if state]
    for state in states:
        if state not in get_args(StudyState):
            raise Refused(f"state={state[:20]} is none of {', '.join(get_args(StudyState))}.")
    given: dict[str, Any] = {
        "text": request.args.get("text", "")[:200],
        "states": states,
        "stage": request.args.get("stage", ""),
        "species": request.args.get("species", "")[:64],
        "order": request.args.get("order") or "queue",
        "urgent": request.args.get("urgent") == "1",
        "missing": request.args.get("missing") == "1",
        "sites": _sites(),
        "reader": user if request.args.get("mine") == "1" else "",
    }
    try:
        return ListQuery.model_validate(given)
    except ValidationError as error:
        first = error.errors(include_url=False, include_input=False)[0]
        name = first["loc"][0] if first["loc"] else "query"
        raise Refused(f"{name}={str(given.get(str(name)))[:20]}: {first['msg']}.") from error


def _sites() -> tuple[str, ...] | None:
    """The sites that are asked for (`site`), or all that the caller may see."""
    seen, asked = sites_seen(), request.args.get("site")
    if asked is None:
        return seen
    if asked not in (("", *site().settings.site_ids) if seen is None else seen):
        raise Refused(f"site={asked[:32]}: there is no such site whose studies you may see.")
    return (asked,)


def _shown(row: ListedStudy) -> dict[str, Any]:
    shown = row.model_dump(mode="json")
    if row.delivery_detail:
        shown["delivery_detail"] = said(row.delivery_detail)
    if row.question is None:
        revision = row.template_revision
        shown["question"] = _question(site().store, row.study_uid, revision) if revision else ""
    return shown


@lru_cache(maxsize=4096)
def _question(store: Store, study_uid: str, _revision: int) -> str:
    """Of a study that was prepared before the list kept its question."""
    prepared = store.preparation(study_uid)
    return prepared[0].question if prepared else ""
