"""Errors as RFC 9457 problem documents; a page for people where they were navigating."""

import logging
import uuid
from http import HTTPStatus
from typing import Any

from flask import Flask, Response, json, make_response, render_template, request
from pydantic import ValidationError
from werkzeug.exceptions import HTTPException

from dicom_service.errors import NotAllowed, Refused, SesamoidError, VersionConflict, outcome_of
from dicom_service.node.services import plain
from dicom_service.passwords import WrongPassword
from dicom_service.quiet_logs import said_in_log
from dicom_service.web.languages import said, say
from dicom_service.web.rates import TooManyRequests
from dicom_service.web.security import WrongToken
from dicom_service.web.throttle import TooManyTries

log = logging.getLogger(__name__)

PROBLEM = "application/problem+json"
_MACHINE_PATHS = ("/api/", "/dicomweb/", "/plugin/", "/static/")


class SignedOut(NotAllowed):
    """Nobody is signed in, or no longer."""

    def __init__(self) -> None:
        super().__init__("You are not signed in.")


class WindowRefused(NotAllowed):
    """The window before a signature ends without the provider's word."""


class WrongContent(Refused):
    """Well-formed, but not what this address takes; the sentence says where."""


class VersionMissing(Refused):
    """A change came without the version that it is based on."""


class NotAcceptable(Refused):
    """None of the representations that the caller accepts can be given."""


_STATUS: dict[type[Exception], tuple[int, str]] = {
    SignedOut: (401, "Sign in, then try again."),
    WindowRefused: (
        403,
        "Nothing was signed. Close this window and press the button again; if this stays, tell "
        "the person who looks after the sign-in.",
    ),
    TooManyTries: (429, "Wait, then try again."),
    TooManyRequests: (429, "Wait a moment, then go on more slowly."),
    WrongPassword: (403, "Enter it again."),
    WrongContent: (422, "Correct what the sentence names, then send it again."),
    VersionMissing: (428, "Send the version that you loaded in the header If-Match."),
    NotAcceptable: (406, "Ask for the representation that is stored."),
}


def problem(status: int, detail: str, advice: str, **more: Any) -> Response:
    """A problem document."""
    body = {
        "type": "about:blank",
        "title": HTTPStatus(status).phrase,
        "status": status,
        "detail": detail,
        "advice": advice,
    }
    return Response(json.dumps(body | more), status=status, content_type=PROBLEM)


def wrong_json(error: ValidationError, what: str) -> WrongContent:
    """The first thing that is wrong in a JSON document, as a sentence."""
    first = error.errors(include_url=False, include_input=False)[0]
    where = ".".join(str(part) for part in first["loc"]) or "the whole"
    said = first["msg"].removeprefix("Value error, ")
    return WrongContent(f"The {what} is wrong at {where}: {said}.")


def install(app: Flask) -> None:
    """Make every error of the application answer as a problem document or a page."""
    app.register_error_handler(SesamoidError, _ours)
    app.register_error_handler(HTTPException, _http)
    app.register_error_handler(Exception, _unexpected)


def _ours(error: SesamoidError) -> Response:
    outcome = outcome_of(error)
    status, advice = _STATUS.get(type(error), (outcome.http, outcome.advice))
    if status >= 500:
        log.error("%s %s: %s", request.method, plain(request.path), plain(said_in_log(error), 400))
    more: dict[str, Any] = {}
    if isinstance(error, VersionConflict):
        more["current"] = error.current
    if isinstance(error, WrongToken):
        more["reason"] = "token"
    answer = _answer(status, str(error), advice, **more)
    if isinstance(error, TooManyTries | TooManyRequests):
        answer.headers["Retry-After"] = str(error.seconds)
    return answer


def _http(error: HTTPException) -> Response:
    status = error.code or 500
    details = {
        404: f"There is nothing at {request.path}.",
        405: f"{request.method} is not done at {request.path}.",
        413: "What was sent is larger than this address takes.",
        415: "This address takes JSON (Content-Type: application/json).",
    }
    advice = (
        "Check the address, or look in the reading list."
        if status == 404
        else ("Check what was sent.")
    )
    answer = _answer(status, details.get(status, error.description or error.name), advice)
    for name, value in error.get_headers(request.environ):
        if name.lower() not in ("content-type", "content-length"):
            answer.headers[name] = value
    return answer


def _unexpected(error: Exception) -> Response:
    error_id = uuid.uuid4().hex[:12]
    log.error("error %s at %s %s", error_id, request.method, plain(request.path), exc_info=error)
    return _answer(
        500,
        f"The node made a mistake (error {error_id}). What was saved before is safe.",
        "Try again; if it stays, give the error number to whoever looks after the node.",
        error_id=error_id,
    )


def _title(status: int) -> str:
    try:
        return say(f"problem.titles.{status}")
    except KeyError:
        return HTTPStatus(status).phrase


def _answer(status: int, detail: str, advice: str, **more: Any) -> Response:
    for_a_person = request.accept_mimetypes.best_match(
        [PROBLEM, "text/html"]
    ) == "text/html" and not request.path.startswith(_MACHINE_PATHS)
    detail, advice = said(detail), said(advice)
    if not for_a_person:
        return problem(status, detail, advice, **more)
    page = render_template("problem.html", title=_title(status), detail=detail, advice=advice)
    return make_response(page, status)
