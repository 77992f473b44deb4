"""The host viewer's files, unmodified, with our configuration and plugin beside them.

The files carry no patient data and are public; everything that the viewer then asks for needs a
session. A name with a hash in it never changes its content, so browsers may keep it.
"""

import mimetypes
import re
from functools import lru_cache
from pathlib import Path

from flask import Blueprint, make_response, request, send_from_directory
from werkzeug.exceptions import NotFound, ServiceUnavailable
from werkzeug.wrappers import Response

from dicom_service.viewer_install import gzip_folder
from dicom_service.web import security
from dicom_service.web.pages import to_sign_in
from dicom_service.web.session import caller
from dicom_service.web.site import site

DECODER = "8097.bundle."
"""The viewer's decode worker in the pinned version: its codecs need eval, the page does not."""
_HASHED = re.compile(r"(^|\.)[0-9a-f]{16}\.")
_TYPES = {
    ".js": "text/javascript",
    ".mjs": "text/javascript",
    ".css": "text/css",
    ".wasm": "application/wasm",
    ".json": "application/json",
    ".svg": "image/svg+xml",
    ".woff2": "font/woff2",
    ".html": "text/html",
}

blueprint = Blueprint("viewer", __name__)


@blueprint.get("/read")
@blueprint.get("/read/<path:_rest>")
def read(_rest: str = "") -> Response:
    """The host viewer's page, which opens the studies named in the address."""
    if caller() is None:
        return to_sign_in()
    folder = site().viewer
    if folder is None:
        raise ServiceUnavailable(
            "The web viewer is not installed on this node. Start it with network access once: "
            "sesamoid serve fetches the viewer."
        )
    html, policy = _page(folder)
    answer = make_response(html)
    answer.headers["Content-Security-Policy"] = policy
    return answer


@blueprint.get("/app-config.js")
def configuration() -> Response:
    """The viewer's configuration, which loads our plugin."""
    return _plugin_file("config.js")


@blueprint.get("/plugin/<path:name>")
def plugin(name: str) -> Response:
    """A module of our panel."""
    return _plugin_file(name)


@blueprint.get("/<path:name>")
def file(name: str) -> Response:
    """A file of the host viewer; compressed when the browser takes that."""
    folder = site().viewer
    if folder is None or name == "index.html":
        raise NotFound
    packed = gzip_folder(folder)
    if request.accept_encodings["gzip"] and (packed / f"{name}.gz").is_file():
        answer = send_from_directory(packed, f"{name}.gz", mimetype=_type(name))
        answer.headers["Content-Encoding"] = "gzip"
    else:
        answer = send_from_directory(folder, name, mimetype=_type(name))
    answer.headers["Vary"] = "Accept-Encoding"
    answer.headers["Cache-Control"] = (
        "public, max-age=31536000, immutable" if _HASHED.search(name) else "no-cache"
    )
    if name.endswith(".js"):
        decodes = name.startswith(DECODER)
        answer.headers["Content-Security-Policy"] = (
            security.DECODER_POLICY if decodes else security.SCRIPT_POLICY
        )
    return answer


def _plugin_file(name: str) -> Response:
    if any(part.startswith((".", "_")) for part in name.split("/")):
        raise NotFound
    answer = send_from_directory(site().plugin, name, mimetype=_type(name))
    answer.headers["Cache-Control"] = "no-cache"
    answer.headers["Content-Security-Policy"] = security.SCRIPT_POLICY
    return answer


def _type(name: str) -> str:
    """Not left to the machine's own table, which may not know JavaScript."""
    kind = _TYPES.get(Path(name).suffix) or mimetypes.guess_type(name)[0]
    return kind or "application/octet-stream"


@lru_cache(maxsize=4)
def _page(folder: Path) -> tuple[str, str]:
    html = (folder / "index.html").read_text("utf-8")
    return html, security.viewer_policy(html)
