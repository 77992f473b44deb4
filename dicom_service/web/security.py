"""Headers of every answer, and requests that another site has forged.

Scripts on our own pages come from files only. The host viewer's page needs more: its few inline
scripts are allowed by their hashes, worked out from the very file that is served; its decoders
are WebAssembly; styles are made at run time. The one script that needs eval runs as a worker
with a policy of its own (see `viewer_files`).
"""

import base64
import hashlib
import hmac
import re
from urllib.parse import urlsplit

from flask import Flask, Response, request

from dicom_service.errors import NotAllowed
from dicom_service.web.site import site

SAFE_METHODS = ("GET", "HEAD", "OPTIONS")
TOKEN_HEADER = "X-Sesamoid-Token"  # noqa: S105 - the name of a header

DATA_POLICY = "default-src 'none'; frame-ancestors 'none'; base-uri 'none'; sandbox"
PAGE_POLICY = (
    "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self' data:; "
    "connect-src 'self'; base-uri 'none'; form-action 'self'; frame-ancestors 'none'"
)
DOCUMENT_POLICY = "default-src 'self'; object-src 'self'; frame-ancestors 'self'"
"""Of a PDF: the browser's own viewer shows it inside the host viewer's page."""
SCRIPT_POLICY = "default-src 'none'; script-src 'self'; connect-src 'self'"
"""Counts only where the script is started as a worker."""
DECODER_POLICY = "default-src 'none'; script-src 'self' 'unsafe-eval'; connect-src 'self'"

_INLINE_SCRIPT = re.compile(r"<script>(.*?)</script>", re.DOTALL)


class WrongToken(NotAllowed):
    """A change without the token of its session; a page may ask for the token and try again."""


def viewer_policy(html: str) -> str:
    """The policy for the host viewer's page with this text."""
    hashes = " ".join(
        f"'sha256-{base64.b64encode(hashlib.sha256(text.encode()).digest()).decode()}'"
        for text in _INLINE_SCRIPT.findall(html)
    )
    return (
        f"default-src 'none'; script-src 'self' 'wasm-unsafe-eval' {hashes}; "
        "style-src 'self' 'unsafe-inline'; img-src 'self' data: blob:; font-src 'self' data:; "
        "connect-src 'self'; worker-src 'self'; manifest-src 'self'; object-src 'self' blob:; "
        "frame-src 'self' blob:; base-uri 'none'; form-action 'self'; frame-ancestors 'self'"
    )


def install(app: Flask) -> None:
    """Put the headers on every answer and look at where every change comes from."""
    app.before_request(_not_too_often)
    app.before_request(_from_this_site)
    app.after_request(_headers)


def check_token(given: str, expected: str) -> None:
    """Raise NotAllowed unless the request carries the token of its session."""
    if not hmac.compare_digest(given.encode(), expected.encode()):
        raise WrongToken(
            f"The request did not come from a page of this node (header {TOKEN_HEADER})."
        )


def _not_too_often() -> None:
    if request.path.startswith(("/api/", "/dicomweb/", "/oidc/")):
        site().rates.take(request.remote_addr or "")


def _from_this_site() -> None:
    """Refuse a change that a page of another site asks for (browsers say where from)."""
    if request.method in SAFE_METHODS:
        return
    origin = request.headers.get("Origin")
    fetched_from = request.headers.get("Sec-Fetch-Site", "same-origin")
    foreign = origin is not None and urlsplit(origin).netloc != request.host
    if foreign or fetched_from not in ("same-origin", "none"):
        raise NotAllowed("The request came from a page of another site.")


def _listener() -> str:
    """The pages with the panel may use the microphone: for dictation, on the device only."""
    return "self" if request.path.startswith(("/read", "/plain")) else ""


def _headers(response: Response) -> Response:
    is_page = response.mimetype == "text/html"
    defaults = {
        "Content-Security-Policy": PAGE_POLICY if is_page else DATA_POLICY,
        "X-Content-Type-Options": "nosniff",
        "X-Frame-Options": "SAMEORIGIN",
        "Referrer-Policy": "same-origin",
        "Cross-Origin-Opener-Policy": "same-origin",
        "Cross-Origin-Resource-Policy": "same-origin",
        "Permissions-Policy": "camera=(), geolocation=(), "
        f"microphone=({_listener()}), payment=(), usb=()",
        "Cache-Control": "no-store",
    }
    if request.is_secure:
        defaults["Strict-Transport-Security"] = "max-age=31536000"
    for name, value in defaults.items():
        response.headers.setdefault(name, value)
    return response
