"""Is the process alive, can it do its work: for supervisors and load balancers."""

import os

from flask import Blueprint, Response, jsonify

from dicom_service import __version__
from dicom_service.errors import SesamoidError
from dicom_service.web.site import site

LEAST_FREE_BYTES = 64 << 20

blueprint = Blueprint("health", __name__, url_prefix="/api/health")


@blueprint.get("")
def health() -> Response:
    """Whether the node and its index work; says nothing about patients."""
    site().store.count_users()
    return jsonify({"status": "ok", "version": __version__})


@blueprint.get("/live")
def live() -> Response:
    """Whether the process answers; nothing else is asked."""
    return jsonify({"status": "ok"})


@blueprint.get("/ready")
def ready() -> Response:
    """Whether the node can take work: index, storage and DICOM port; 503 when it cannot."""
    parts = {"index": _index(), "storage": _storage(), "dicom": _dicom()}
    good = all(said == "ok" for said in parts.values())
    answer = jsonify({"status": "ready" if good else "not ready"} | parts)
    answer.status_code = 200 if good else 503
    return answer


def _index() -> str:
    try:
        site().store.count_users()
    except SesamoidError:
        return "the index does not answer"
    return "ok"


def _storage() -> str:
    folder = site().store.folder
    try:
        room = os.statvfs(folder)
    except OSError:
        return "the data folder is gone"
    if site().store.trouble:
        return "what came in waits in the journal, see the log"
    if site().store.spool_full:
        return "the object store is away, and no more may wait for it here"
    if not os.access(site().store.incoming, os.W_OK):
        return "the data folder cannot be written"
    if room.f_bavail * room.f_frsize < LEAST_FREE_BYTES:
        return f"less than {LEAST_FREE_BYTES >> 20} MiB are free"
    return "ok"


def _dicom() -> str:
    return "ok" if site().listening() else "no DICOM associations are taken"
