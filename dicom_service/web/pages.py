"""Our own pages: reading list, sign-in, the panel beside plain images, the administrator's page.

They are the same for everybody; what is shown in them comes from the API.
"""

from urllib.parse import quote

from flask import Blueprint, redirect, render_template, request
from werkzeug.wrappers import Response

from dicom_service.web.admin import administrator
from dicom_service.web.session import caller
from dicom_service.web.site import site

blueprint = Blueprint("pages", __name__)


@blueprint.get("/")
def reading_list() -> str | Response:
    """The reading list, for those who are signed in."""
    return render_template("list.html") if caller() else to_sign_in()


@blueprint.get("/admin")
def administration() -> str | Response:
    """The administrator's page."""
    if caller() is None:
        return to_sign_in()
    administrator()
    return render_template("admin.html")


@blueprint.get("/plain")
def plain() -> str | Response:
    """The panel beside plain images: any viewer opens it with ?StudyInstanceUIDs=…."""
    return render_template("plain.html") if caller() else to_sign_in()


@blueprint.get("/login")
def login() -> str:
    """The sign-in page; the page itself sees to it that `next` stays on this node."""
    oidc = site().settings.oidc
    return render_template("login.html", provider=oidc.label if oidc.issuer else "")


def to_sign_in() -> Response:
    """To the sign-in page, and back here afterwards."""
    here = request.full_path.rstrip("?")
    return redirect(f"/login?next={quote(here, safe='')}", 303)
