"""What the administrator's page asks for, as JSON; only for users with that role."""

from datetime import UTC, datetime

from flask import Blueprint, Response, jsonify, request
from pydantic import Field, ValidationError

from dicom_service import __version__
from dicom_service.base import Frozen
from dicom_service.errors import NotAllowed, NotFound, Refused
from dicom_service.web.languages import events_called, said
from dicom_service.web.problems import wrong_json
from dicom_service.web.queries import number
from dicom_service.web.session import Caller, json_body, signed_in
from dicom_service.web.site import site

LARGEST_PAGE = 500
DELIVERY_STATES = ("owed", "sent", "refused", "committed")

blueprint = Blueprint("admin", __name__, url_prefix="/api/admin")


class Retry(Frozen):
    """Which deliveries to try again; none: all that are open or refused."""

    ids: tuple[int, ...] = Field(default=(), max_length=1000)


class Nothing(Frozen):
    """The address says it all; the body is an empty object."""


def administrator() -> Caller:
    """Who is asking, if they look after the node.

    Raises
    ------
    NotAllowed
        Their role is another; it is noted.
    """
    found = signed_in()
    if administered() == ():
        site().seeing.note("not allowed", found.user.name, detail="administration")
        raise NotAllowed(f"{found.user.name} does not look after this node: ask an administrator.")
    return found


def administered() -> tuple[str, ...] | None:
    """The sites that the caller looks after; None: the node, with all that there are."""
    user = signed_in().user
    if "administrator" in user.roles:
        return None
    return tuple(one for one in site().settings.site_ids if "administrator" in user.at(one))


def operator() -> Caller:
    """Who is asking, if they look after the node as a whole and not only after sites of it."""
    found = administrator()
    if administered() is not None:
        raise NotAllowed("This is for whoever looks after the whole node.")
    return found


def site_asked() -> str:
    """The site that a request is about (`?site=`): without it the first that they look after.

    Raises
    ------
    NotFound
        It is none of theirs; the same whether there is such a site or not.
    """
    mine = administered()
    known = ("", *site().settings.site_ids) if mine is None else mine
    asked = request.args.get("site", known[0])
    if asked not in known:
        raise NotFound(f"You look after no site {asked[:32]}.")
    return asked


@blueprint.get("/overview")
def overview() -> Response:
    """Studies, deliveries, storage and peers at a glance."""
    administrator()
    here, mine = site(), administered()
    settings = here.settings.at(site_asked())
    node = {
        "version": __version__,
        "ae_title": settings.ae_title,
        "dimse": f"{settings.dimse_host}:{_ports(*here.ports())}",
        "listening": here.listening(),
        "started_at": here.started_at.isoformat(),
        "data_folder": str(here.store.folder) if mine is None else "",
        "archive": here.roster.at(site_asked()).archive,
        "audit_syslog": settings.audit_syslog if mine is None else "",
    }
    return jsonify(here.store.overview(mine).model_dump(mode="json") | {"node": node})


def _ports(plain: int, secure: int) -> str:
    """The DICOM ports in words; a port of 0 is not open."""
    words = [str(plain)] if plain else []
    return ", ".join([*words, f"{secure} (TLS)"] if secure else words)


@blueprint.get("/outbox")
def outbox() -> Response:
    """Deliveries: `state` (several with commas; all but committed), `limit`, `offset`."""
    administrator()
    wanted = [s for s in request.args.get("state", "owed,sent,refused").split(",") if s]
    for state in wanted:
        if state not in DELIVERY_STATES:
            raise Refused(f"state={state[:20]} is none of {', '.join(DELIVERY_STATES)}.")
    limit, offset = number("limit", 100, LARGEST_PAGE), number("offset", 0, 10**9)
    rows = site().store.owed(wanted, limit, offset, administered())
    total = site().store.count_owed(wanted, administered())
    shown = [row.model_dump(mode="json") | {"error": said(row.error)} for row in rows]
    return jsonify({"total": total, "rows": shown})


@blueprint.post("/outbox/retry")
def retry() -> Response:
    """Send deliveries now that wait or were refused."""
    found = administrator()
    try:
        asked = Retry.model_validate(json_body())
    except ValidationError as error:
        raise wrong_json(error, "list") from error
    count = site().store.try_again(
        asked.ids, user=found.user.name, at=site().clock(), sites=administered()
    )
    site().on_outbox()
    return jsonify({"tried": count})


@blueprint.get("/audit")
def audit() -> Response:
    """The audit trail: `text`, `user`, `study`, `since`, `until`, `limit`, `offset`.

    `text` is in the event's name, in the words for it in any language, or in the detail.
    """
    found = administrator()
    text = request.args.get("text", "")[:200]
    site().seeing.note("audit log seen", found.user.name)
    rows = site().store.audit_rows(
        text=text,
        events=events_called(text) if text else (),
        user=request.args.get("user", "")[:64],
        study_uid=request.args.get("study", "")[:64],
        since=_moment("since"),
        until=_moment("until"),
        sites=administered(),
        limit=number("limit", 100, LARGEST_PAGE),
        offset=number("offset", 0, 10**9),
    )
    return jsonify({"rows": [row.model_dump(mode="json") for row in rows]})


@blueprint.post("/audit/verify")
def verify() -> Response:
    """Whether the audit trail is as it was written."""
    operator()
    _nothing()
    found = site().store.audit_verify()
    return jsonify(found.model_dump(mode="json") | {"why": said(found.why)})


def _nothing() -> None:
    try:
        Nothing.model_validate(json_body())
    except ValidationError as error:
        raise wrong_json(error, "request") from error


def _moment(name: str) -> datetime | None:
    text = request.args.get(name, "")
    if not text:
        return None
    try:
        made = datetime.fromisoformat(text)
        return (made if made.tzinfo else made.replace(tzinfo=UTC)).astimezone(UTC)
    except (ValueError, OverflowError) as error:
        raise Refused(f"{name}={text[:40]} is no date such as 2026-03-01.") from error
