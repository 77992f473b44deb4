"""Sign-in through an OpenID Connect provider, and showing again who one is before a signature.

The session's cookie is SameSite=Strict, so it does not come along when the provider sends a
browser back. What belongs to the way there and back is a row in the index, found by the state and
good once; that it is the same browser is known by a cookie of its own (Lax, for ten minutes). The
last step is a page of ours that goes on by itself: from there the session's cookie counts again.
"""

import re
import secrets
from datetime import timedelta
from typing import cast
from urllib.parse import urlsplit

from flask import (
    Blueprint,
    Flask,
    current_app,
    make_response,
    redirect,
    render_template,
    request,
    url_for,
)
from werkzeug.wrappers import Response

from dicom_service.errors import NotAllowed, NotFound, PeerAway
from dicom_service.settings import Settings
from dicom_service.store import Step
from dicom_service.web.gate import is_seen
from dicom_service.web.oidc_accounts import account_of
from dicom_service.web.oidc_provider import CLOCK_SECONDS, Provider
from dicom_service.web.problems import WindowRefused
from dicom_service.web.session import (
    Caller,
    close_current,
    confirms_by_provider,
    hashed,
    open_session,
    session_hash,
    signed_in_reader,
)
from dicom_service.web.site import site

KEY = "sesamoid oidc"
COOKIE = "sesamoid_step"
LASTS = timedelta(minutes=10)
CONFIRMED_FOR = timedelta(minutes=2)
"""How long after it a signature may follow that rests on it."""
_UID = re.compile(r"[0-9.]{1,64}")

blueprint = Blueprint("oidc", __name__, url_prefix="/oidc")


class NotConfirmed(NotAllowed):
    """Whoever signs must show again who they are, at the provider."""


def install(app: Flask, settings: Settings) -> None:
    """Offer the provider of the settings, if there is one."""
    if settings.oidc.issuer:
        app.extensions[KEY] = Provider(settings.oidc)
        app.register_blueprint(blueprint)


def provider() -> Provider | None:
    """The provider; None when people sign in by password only."""
    return cast("Provider | None", current_app.extensions.get(KEY))


def proof(found: Caller, study: str, password: str) -> str | None:
    """What a signature rests on: a password, or None for a fresh word of the provider.

    Raises
    ------
    NotConfirmed
        There is no password, and the provider was not asked within the last two minutes.
    """
    if password or not confirms_by_provider(found.user):
        return password
    here = site()
    if not here.store.take_confirmation(session_hash(), study, here.clock()):
        raise NotConfirmed("Show once more who you are. Nothing was signed.")
    return None


@blueprint.get("/sign-in")
def sign_in() -> Response:
    """To the provider, and afterwards to `next`."""
    return _off(_local(request.args.get("next", "")))


@blueprint.get("/confirm")
def confirm() -> Response:
    """To the provider, where whoever is signed in shows again who they are, for one `study`."""
    found = signed_in_reader()
    study = request.args.get("study", "")
    if not _UID.fullmatch(study) or not is_seen(study):
        raise NotFound("No such study is on this node.")
    return _off("", session=session_hash(), study_uid=study, user=found.user.name)


@blueprint.get("/sign-out")
def sign_out() -> Response:
    """On to the provider, to sign out there too; the session here has ended before."""
    back = url_for("pages.login", _external=True)
    try:
        return redirect(_asked().sign_out(back) or back, 303)
    except PeerAway:
        return redirect(back, 303)


@blueprint.get("/callback")
def come_back() -> Response:
    """Back from the provider, with a code or with what it has against it."""
    here = site()
    here.throttle.check("", request.remote_addr or "")
    step = here.store.end_step(hashed(request.args.get("state", "")), here.clock())
    if step is None or step.browser != hashed(request.cookies.get(COOKIE, "")):
        raise NotAllowed("This sign-in was not begun here, or too long ago. Begin again.")
    try:
        answer = _confirmed(step) if step.session else _entered(step)
    except NotAllowed as error:
        address = request.remote_addr or ""
        here.throttle.failed(f"oidc {step.user}", address)
        detail = f"from {address} through {here.settings.oidc.issuer}: {error}"
        here.store.audit("sign-in refused", user=step.user, detail=detail, at=here.clock())
        raise
    answer.delete_cookie(COOKIE, path="/oidc", httponly=True, samesite="Lax")
    return answer


def _off(next_page: str, *, session: str = "", study_uid: str = "", user: str = "") -> Response:
    here, browser = site(), secrets.token_urlsafe(32)
    going = _asked().go(_callback(), again=bool(session))
    now = here.clock()
    step = Step(
        browser=hashed(browser),
        nonce=going.nonce,
        verifier=going.verifier,
        session=session,
        study_uid=study_uid,
        user=user,
        next=next_page,
        began=now,
        expires=now + LASTS,
    )
    here.store.begin_step(hashed(going.state), step, now)
    answer = redirect(going.address, 303)
    answer.set_cookie(
        COOKIE,
        browser,
        max_age=LASTS,
        path="/oidc",
        httponly=True,
        samesite="Lax",
        secure=request.is_secure,
    )
    return answer


def _entered(step: Step) -> Response:
    """Sign somebody in, and go on to the page that they wanted."""
    here = site()
    row = account_of(_claims(step))
    close_current()
    detail = f"from {request.remote_addr or ''} through {here.settings.oidc.issuer}"
    here.store.audit("signed in", user=row.name, detail=detail, at=here.clock())
    answer = make_response(render_template("onward.html", onward=step.next))
    open_session(row, answer)
    return answer


def _confirmed(step: Step) -> Response:
    """Note that the same person has just shown who they are."""
    here = site()
    claims = _claims(step)
    if here.store.identity(step.user) != (claims["iss"], claims["sub"]):
        raise WindowRefused("The provider means somebody else than who is signed in here.")
    at = claims.get("auth_time")
    fresh = step.began.timestamp() - CLOCK_SECONDS
    if isinstance(at, bool) or not isinstance(at, int | float) or at < fresh:
        raise WindowRefused("The provider did not ask again who you are.")
    here.store.confirm(step.session, step.study_uid, here.clock() + CONFIRMED_FOR)
    detail = f"from {request.remote_addr or ''} through {here.settings.oidc.issuer}"
    here.store.audit(
        "identity confirmed",
        user=step.user,
        study_uid=step.study_uid,
        detail=detail,
        at=here.clock(),
    )
    return make_response(render_template("confirmed.html", study=step.study_uid))


def _claims(step: Step) -> dict[str, object]:
    here = request.args
    if here.get("iss", site().settings.oidc.issuer) != site().settings.oidc.issuer:
        raise NotAllowed("Another provider answered than was asked (RFC 9207).")
    if "error" in here or not here.get("code"):
        raise NotAllowed("The provider did not say who you are. Try again.")
    asked = _asked()
    return dict(asked.come_back(_callback(), here["code"][:4096], step.nonce, step.verifier))


def _asked() -> Provider:
    return cast("Provider", provider())


def _callback() -> str:
    return url_for("oidc.come_back", _external=True)


def _local(address: str) -> str:
    """The address if it is a page of this node, else that of the reading list."""
    parts = urlsplit(address)
    plain = address.isascii() and address.isprintable() and "\\" not in address
    ours = address.startswith("/") and not address.startswith("//")
    good = plain and ours and not parts.scheme and not parts.netloc and len(address) <= 2000
    return address if good else "/"
