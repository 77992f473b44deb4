"""The web interface as OpenAPI 3.1: paths from the routes, bodies from the models themselves."""

import json
from typing import Any, NamedTuple

from pydantic import BaseModel
from pydantic.json_schema import models_json_schema

from dicom_service.measure import Measured
from dicom_service.review.model import Reading
from dicom_service.roster import Added
from dicom_service.statement.routes import Route, routes
from dicom_service.store import Preferences
from dicom_service.web import accounts, admin, api, giving, quarantine, reading_list, session
from dicom_service.web.security import SAFE_METHODS, TOKEN_HEADER
from dicom_service.workflow.comparing import AllChanges, ComparedAsked
from dicom_service.workflow.measurable import MeasurableList
from dicom_service.workflow.measuring import StudyMeasureRequest
from dicom_service.workflow.model import OpenReading, Preview, Saved

Schema = dict[str, Any]

API_VERSION = "1"
"""Of the interface: a change that older clients would not survive raises it."""

_MULTIPART = 'multipart/related; type="application/dicom"'
_DICOM_JSON = "application/dicom+json"


class Body(NamedTuple):
    """What an operation takes and gives; None: no model, a JSON object."""

    takes: type[BaseModel] | None = None
    gives: type[BaseModel] | None = None


BODIES: dict[str, Body] = {
    "session.sign_in": Body(takes=session.SignIn),
    "preferences.of_account": Body(gives=Preferences),
    "preferences.change": Body(takes=Preferences, gives=Preferences),
    "api.open_reading": Body(gives=OpenReading),
    "api.save_reading": Body(takes=Reading, gives=Saved),
    "api.preview": Body(gives=Preview),
    "api.correct": Body(takes=api.ImageCorrection, gives=OpenReading),
    "measuring.measure": Body(takes=StudyMeasureRequest, gives=Measured),
    "measuring.what_can_be_measured": Body(gives=MeasurableList),
    "measuring.changes": Body(takes=ComparedAsked, gives=AllChanges),
    "api.correct_species": Body(takes=api.SpeciesCorrection, gives=OpenReading),
    "api.sign": Body(takes=api.Signature),
    "api.add_addendum": Body(takes=api.Remark),
    "api.reopen_for_correction": Body(takes=api.Reopening, gives=OpenReading),
    "peers.echo_peer": Body(takes=admin.Nothing),
    "peers.put": Body(takes=Added),
    "accounts.enrol": Body(takes=accounts.NewAccount),
    "accounts.change": Body(takes=accounts.AccountChange),
    "admin.verify": Body(takes=admin.Nothing),
    "reading_list.set_priority": Body(takes=reading_list.Priority),
    "giving.give": Body(takes=giving.Given),
    "quarantine.decide": Body(takes=quarantine.Decided),
    "admin.retry": Body(takes=admin.Retry),
    "api.withdraw": Body(takes=api.WithdrawalAsked),
}
"""Endpoint -> models; a test asks for an entry of everything that takes a body."""

MEDIA: dict[str, tuple[str, ...]] = {
    "dicomweb.search_studies": (_DICOM_JSON,),
    "dicomweb.search_series": (_DICOM_JSON,),
    "dicomweb.search_instances": (_DICOM_JSON,),
    "dicomweb.series_of_named_study": (_DICOM_JSON,),
    "dicomweb.instances_of_named_study": (_DICOM_JSON,),
    "dicomweb.metadata_of": (_DICOM_JSON,),
    "dicomweb.store_objects": (_DICOM_JSON,),
    "dicomweb.retrieve": (_MULTIPART, "application/dicom"),
    "dicomweb.frames": ('multipart/related; type="application/octet-stream"',),
    "dicomweb.rendered": ("image/jpeg", "image/png", "application/pdf"),
    "dicomweb.thumbnail": ("image/jpeg", "image/png"),
    "dicomweb.bulk_data": ("application/octet-stream", "application/pdf"),
    "api.template": ("application/json", "application/dicom"),
    "report_files.teaching": ("application/zip",),
}
"""Endpoint -> media types of its answer; others answer with JSON."""

QUERIES: dict[str, dict[str, str]] = {
    "reading_list.studies": {
        "text": "part of a name, identifier or description",
        "state": "states, separated by commas",
        "stage": "to_read, in_progress, to_deliver, delivered, arriving, trouble or withdrawn",
        "site": "only this site's; empty: those of the site without a name",
        "urgent": "1: only urgent ones",
        "missing": "1: only ones with missing views",
        "mine": "1: only those that the caller reads or has read",
        "species": "only this one",
        "order": "queue (urgent first, then longest waiting) or newest",
        "limit": f"most studies in one answer, up to {reading_list.LARGEST_PAGE}",
        "offset": "how many to leave out",
    },
    "report_files.pdf": {"document": "UID of a signed document: the version it belongs to"},
    "admin.outbox": {
        "state": "states, separated by commas",
        "limit": f"most deliveries in one answer, up to {admin.LARGEST_PAGE}",
        "offset": "how many to leave out",
    },
    "admin.audit": {
        "text": "part of an event's name, of the words for it in any language, or of its detail",
        "user": "who",
        "study": "Study Instance UID",
        "since": "not before this date or moment",
        "until": "before this date or moment",
        "limit": f"most events in one answer, up to {admin.LARGEST_PAGE}",
        "offset": "how many to leave out",
    },
    **{
        f"dicomweb.{name}": {
            "limit": "most records in one answer",
            "offset": "how many to leave out",
            "includefield": "further attributes, or all",
            "everything": "true: also what nobody reads here",
        }
        for name in ("search_studies", "search_series", "search_instances",
                     "series_of_named_study", "instances_of_named_study")
    },
    "dicomweb.rendered": {"viewport": "width,height", "window": "center,width,function"},
    "dicomweb.thumbnail": {"viewport": "width,height"},
}  # fmt: skip


def openapi_text() -> str:
    """The description as it is committed."""
    return json.dumps(openapi(), ensure_ascii=False, indent=1) + "\n"


def openapi() -> Schema:
    """The description of everything below /api and /dicomweb."""
    paths: dict[str, Schema] = {}
    for route in routes():
        paths.setdefault(route.path, {})[route.method.lower()] = _operation(route)
    return {
        "openapi": "3.1.0",
        "info": {
            "title": "Sesamoid",
            "version": API_VERSION,
            "description": "Generated by `sesamoid docs`; do not edit. /dicomweb follows DICOM "
            "PS3.18. Sign in with POST /api/session; the cookie and, for changes, the token of "
            "the answer go with every other request.",
            "license": {"name": "Apache-2.0", "identifier": "Apache-2.0"},
        },
        "servers": [{"url": "/"}],
        "tags": [{"name": "api"}, {"name": "session"}, {"name": "dicomweb"}],
        "security": [{"cookie": []}],
        "paths": paths,
        "components": {
            "securitySchemes": {
                "cookie": {"type": "apiKey", "in": "cookie", "name": session.COOKIE},
                "token": {"type": "apiKey", "in": "header", "name": TOKEN_HEADER},
            },
            "responses": {"Problem": {"description": "What is wrong, and what to do.", "content": {
                "application/problem+json": {"schema": {"$ref": "#/components/schemas/Problem"}}}}},
            "schemas": {**_schemas(), "Problem": _PROBLEM},
        },
    }  # fmt: skip


_PROBLEM: Schema = {
    "type": "object",
    "description": "RFC 9457",
    "required": ["title", "detail", "status"],
    "properties": {
        "title": {"type": "string"},
        "detail": {"type": "string"},
        "advice": {"type": "string"},
        "status": {"type": "integer"},
        "current": {"type": "integer", "description": "with 412: the version that is kept now"},
    },
}


def _operation(route: Route) -> Schema:
    body = BODIES.get(route.endpoint, Body())
    made: Schema = {
        "operationId": f"{route.endpoint}.{_name(route)}",
        "tags": [route.endpoint.partition(".")[0]],
        "summary": route.summary,
        "responses": {"200": _answer(route, body), "default": {
            "$ref": "#/components/responses/Problem"}},
    }  # fmt: skip
    parameters = [
        {"name": name, "in": "path", "required": True, "schema": {"type": "string"}}
        for name in route.variables
    ]
    for name, text in QUERIES.get(route.endpoint, {}).items():
        parameters.append(
            {"name": name, "in": "query", "description": text, "schema": {"type": "string"}}
        )
    if route.endpoint == "api.save_reading":
        parameters.append(
            {"name": "If-Match", "in": "header", "required": True, "schema": {"type": "string"},
             "description": "the version that was loaded, in double quotes"}
        )  # fmt: skip
    if parameters:
        made["parameters"] = parameters
    if taken := _taken(route, body):
        made["requestBody"] = {"required": True, "content": taken}
    if route.endpoint in ("session.sign_in", "health.health", "health.live", "health.ready"):
        made["security"] = []
    elif route.method not in SAFE_METHODS:
        made["security"] = [{"cookie": [], "token": []}]
    return made


def _name(route: Route) -> str:
    """Method and variables: one endpoint may have several addresses."""
    last = route.path.rpartition("/")[2] if not route.path.endswith("}") else ""
    return "_".join(part for part in (route.method.lower(), *route.variables, last) if part)


def _taken(route: Route, body: Body) -> Schema:
    if body.takes is not None:
        return {"application/json": {"schema": _reference(body.takes)}}
    if route.endpoint == "dicomweb.store_objects":
        return {_MULTIPART: {"schema": {"type": "string", "contentMediaType": "application/dicom"}}}
    return {}


def _answer(route: Route, body: Body) -> Schema:
    media = MEDIA.get(route.endpoint, ("application/json",))
    content: Schema = {}
    for kind in media:
        schema: Schema = {}
        if kind == _DICOM_JSON:
            schema = {"schema": {"type": ["array", "object"]}}
        elif kind == "application/json":
            given = _reference(body.gives) if body.gives else {"type": "object"}
            schema = {"schema": given}
        content[kind] = schema
    return {"description": route.summary, "content": content}


def _reference(model: type[BaseModel]) -> Schema:
    return {"$ref": f"#/components/schemas/{model.__name__}"}


def _schemas() -> Schema:
    """Models that are taken and given, with everything inside them."""
    wanted = dict.fromkeys(m for body in BODIES.values() for m in body if m is not None)
    _, made = models_json_schema(
        [(model, "validation") for model in wanted],
        ref_template="#/components/schemas/{model}",
    )
    return dict(sorted(made["$defs"].items()))
