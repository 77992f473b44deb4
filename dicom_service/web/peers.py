"""Peers as an administrator looks after them: those of the settings file are shown, others are
added, changed and removed here, and each can be called.
"""

import time
from typing import Any

from flask import Blueprint, Response, jsonify
from pydantic import ValidationError

from dicom_service.errors import NotFound, PeerAway, Refused
from dicom_service.node import echo
from dicom_service.roster import Added, full_name
from dicom_service.settings import Peer
from dicom_service.web.admin import Nothing, administrator, site_asked
from dicom_service.web.languages import said
from dicom_service.web.problems import wrong_json
from dicom_service.web.session import json_body
from dicom_service.web.site import site

ECHO_SECONDS = 10.0
MOST = 200
"""Added peers."""

blueprint = Blueprint("peers", __name__, url_prefix="/api/admin/peers")


@blueprint.get("")
def peers() -> Response:
    """All peers; those of the settings file cannot be changed here."""
    administrator()
    return jsonify({"rows": shown_peers()})


@blueprint.put("/<name>")
def put(name: str) -> Response:
    """Add a peer under this name, or change it."""
    by = administrator().user.name
    try:
        asked = Added.model_validate(json_body())
    except ValidationError as error:
        raise wrong_json(error, "peer") from error
    if asked.name != name:
        raise Refused("The peer is called otherwise than the address says.")
    here, where = site(), site_asked()
    asked = asked.model_copy(update={"site": where})
    here.roster.at(where).check(asked, here.settings)
    if len(here.store.added_peers()) >= MOST:
        raise Refused(f"There are {MOST} added peers already; remove one first.")
    detail = f"{full_name(where, name)}: {asked.ae_title}@{asked.host}:{asked.port}" + _uses(asked)
    written = asked.model_dump_json(exclude_defaults=True)
    kept = full_name(where, name)
    here.store.put_peer(kept, written, detail=detail, by=by, at=here.clock(), site=where)
    here.on_peers()
    return jsonify(_shown(asked, of_file=False))


@blueprint.delete("/<name>")
def remove(name: str) -> Response:
    """Forget a peer that was added here."""
    by = administrator().user.name
    here, where = site(), site_asked()
    if any(peer.name == name for peer in here.roster.at(where).of_file()):
        raise Refused(f"The peer {name[:64]} is in the settings file; remove it there.")
    here.store.remove_peer(full_name(where, name), by=by, at=here.clock(), site=where)
    here.on_peers()
    return Response(status=204)


@blueprint.post("/<name>/echo")
def echo_peer(name: str) -> Response:
    """Call a peer by C-ECHO now."""
    administrator()
    try:
        Nothing.model_validate(json_body())
    except ValidationError as error:
        raise wrong_json(error, "request") from error
    settings = site().settings.at(site_asked())
    peer = site().roster.at(site_asked()).peer(name)
    if peer is None:
        raise NotFound(f"No peer is called {name[:64]}.")
    started = time.perf_counter()
    seconds = min(ECHO_SECONDS, settings.peer_timeout_seconds)
    why_not = ""
    try:
        echo(peer, settings.ae_title, seconds, settings.tls)
    except PeerAway as error:
        why_not = said(str(error))
    took = round(1000 * (time.perf_counter() - started), 1)
    return jsonify({"answers": not why_not, "detail": why_not, "milliseconds": took})


def shown_peers() -> list[dict[str, Any]]:
    """All peers, as the page shows them."""
    roster = site().roster.at(site_asked())
    return [
        *(_shown(peer, of_file=True) for peer in roster.of_file()),
        *(_shown(peer, of_file=False) for peer in roster.added()),
    ]


def _shown(peer: Peer, *, of_file: bool) -> dict[str, Any]:
    archive = peer.name == site().roster.at(peer.site).archive
    return peer.model_dump(mode="json") | {"archive": archive, "of_file": of_file}


def _uses(peer: Added) -> str:
    uses = [", archive"] if peer.archive else []
    uses += [", commitment"] if peer.commitment else []
    uses += [f", C-{peer.retrieve.upper()}"] if peer.retrieve != "none" else []
    uses += [", TLS"] if peer.tls else []
    uses += [f", from {' '.join(peer.addresses)}"] if peer.addresses else []
    uses += [f", certificate {peer.certificate}"] if peer.certificate else []
    return "".join(uses)
