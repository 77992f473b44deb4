"""Signing in and out, and who is asking.

The cookie holds 256 random bits; the index keeps only their SHA-256. Signing in always makes a
new session. Every change must carry the session's own token in a header, which pages of other
sites cannot set.
"""

import hashlib
import json
import logging
import math
import secrets
from datetime import timedelta
from typing import Any, cast

from flask import Blueprint, Response, g, jsonify, request
from pydantic import Field, ValidationError
from werkzeug.exceptions import UnsupportedMediaType

from dicom_service.base import Frozen
from dicom_service.errors import NotAllowed, Refused
from dicom_service.passwords import password_fits
from dicom_service.store import SessionRow, UserRow
from dicom_service.store.sites import seen_by
from dicom_service.web.languages import note_choice
from dicom_service.web.problems import SignedOut, wrong_json
from dicom_service.web.security import SAFE_METHODS, TOKEN_HEADER, check_token
from dicom_service.web.site import site

log = logging.getLogger(__name__)

COOKIE = "sesamoid"
LARGEST_JSON = 4 << 20

blueprint = Blueprint("session", __name__, url_prefix="/api/session")


class SignIn(Frozen):
    """What a person enters."""

    user: str = Field(min_length=1, max_length=64)
    password: str = Field(min_length=1, max_length=1024)


class Caller(Frozen):
    """Who is asking."""

    user: UserRow
    session: SessionRow


def caller() -> Caller | None:
    """Who is signed in, or None; looked up once in a request."""
    if "caller" not in g:
        g.caller = _look_up(request.cookies.get(COOKIE, ""))
    return cast("Caller | None", g.caller)


def signed_in() -> Caller:
    """Who is signed in; for changes also checks the session's token.

    Raises
    ------
    SignedOut
        Nobody is.
    NotAllowed
        A change without the right token.
    """
    found = caller()
    if found is None:
        raise SignedOut
    if request.method not in SAFE_METHODS:
        check_token(request.headers.get(TOKEN_HEADER, ""), found.session.csrf)
    return found


def signed_in_reader() -> Caller:
    """Who is signed in, if they may read studies."""
    found = signed_in()
    if "reader" not in roles_here(found.user):
        raise NotAllowed(f"{found.user.name} may look but not read: the role reader is missing.")
    return found


def roles_here(user: UserRow) -> tuple[str, ...]:
    """Somebody's roles at the site of the study that the address names; without one, anywhere."""
    if "study_site" in g:  # see gate.py
        return user.at(g.study_site)
    at_sites = (role for one in site().settings.sites for role in user.at(one.id))
    return tuple(dict.fromkeys((*user.roles, *at_sites)))


def json_body() -> Any:
    """The JSON that was sent: bounded, declared as JSON, without NaN and infinite numbers.

    Raises
    ------
    Refused
        It is no valid JSON.
    """
    request.max_content_length = LARGEST_JSON
    if not request.is_json:
        raise UnsupportedMediaType
    try:
        return json.loads(request.get_data(), parse_float=_finite, parse_constant=_finite)
    except (ValueError, RecursionError) as error:
        raise Refused(f"What was sent is not valid JSON: {error}.") from error


@blueprint.post("")
def sign_in() -> Response:
    """Check user and password; the answer and its time do not tell which was wrong."""
    try:
        asked = SignIn.model_validate(json_body())
    except ValidationError as error:
        raise wrong_json(error, "sign-in") from error
    here, address = site(), request.remote_addr or ""
    here.throttle.check(asked.user, address)
    row = here.store.user(asked.user)
    if not password_fits(row.hash_in_use if row else None, asked.password) or row is None:
        here.throttle.failed(asked.user, address)
        log.warning("a sign-in from %s is refused", address)
        here.store.audit(
            "sign-in refused", user=asked.user, detail=f"from {address}", at=here.clock()
        )
        raise NotAllowed("User or password is not right.")
    here.throttle.succeeded(asked.user, address)
    close_current()
    here.store.audit("signed in", user=row.name, detail=f"from {address}", at=here.clock())
    answer = Response(content_type="application/json")
    shown = _shown(row, open_session(row, answer))
    answer.set_data(jsonify(shown).get_data())
    return answer


@blueprint.get("")
def who() -> Response:
    """Who is signed in, with the token for changes."""
    found = signed_in()
    return jsonify(_shown(found.user, found.session.csrf))


@blueprint.delete("")
def sign_out() -> Response:
    """End the session."""
    found = signed_in()
    close_current()
    site().store.audit("signed out", user=found.user.name, at=site().clock())
    answer = Response(status=204)
    answer.delete_cookie(COOKIE, httponly=True, samesite="Strict", secure=request.is_secure)
    return answer


def open_session(row: UserRow, answer: Response) -> str:
    """Sign somebody in: the answer gets the cookie; the token for changes is returned."""
    here = site()
    token, csrf = secrets.token_urlsafe(32), secrets.token_urlsafe(32)
    lasts = timedelta(hours=here.settings.session_hours)
    here.store.open_session(row.name, hashed(token), csrf, here.clock() + lasts)
    answer.set_cookie(
        COOKIE,
        token,
        max_age=lasts,
        httponly=True,
        samesite="Strict",
        secure=request.is_secure,
    )
    note_choice(answer, here.store.preferences(row.name))
    return csrf


def close_current() -> None:
    """End the session of the present request, if there is one."""
    if token := request.cookies.get(COOKIE, ""):
        site().store.close_session(hashed(token))


def session_hash() -> str:
    """How the index knows the session of the present request."""
    return hashed(request.cookies.get(COOKIE, ""))


def confirms_by_provider(row: UserRow) -> bool:
    """Whether this account has no password here, so that only the provider can say who it is."""
    return bool(site().settings.oidc.issuer) and not row.password_hash


def hashed(token: str) -> str:
    """What is kept of a secret."""
    return hashlib.sha256(token.encode()).hexdigest()


def _look_up(token: str) -> Caller | None:
    if not token:
        return None
    here = site()
    session = here.store.session(hashed(token), here.clock())
    user = here.store.user(session.user) if session else None
    if user is None or session is None or user.disabled:
        return None
    return Caller(user=user, session=session)


def _finite(text: str) -> float:
    number = float(text)
    if not math.isfinite(number):
        raise ValueError(f"{text} is not a finite number")
    return number


def _shown(row: UserRow, csrf: str) -> dict[str, Any]:
    preferences = site().store.preferences(row.name).model_dump(mode="json")
    who: dict[str, Any] = {"user": row.name, "display": row.display}
    who["roles"] = list(roles_here(row))
    if sites := site().settings.sites:
        seen = seen_by(row, site().settings.site_ids)
        named = [("", site().settings.institution), *((one.id, one.name) for one in sites)]
        who["sites"] = [
            {"id": one, "name": name, "roles": list(row.at(one))}
            for one, name in named
            if seen is None or one in seen
        ]
        who["whole_node"] = "administrator" in row.roles
    confirms = "provider" if confirms_by_provider(row) else "password"
    return who | {"csrf": csrf, "confirms": confirms, "preferences": preferences}
