"""DICOMweb (PS3.18) for the host viewer and for other clients, below /dicomweb.

qido.py searches, wado.py retrieves, stow.py stores. Every request needs a session; storing also
needs its token, as every change does. Images that nobody reads here (raw images for processing,
pictures of documents) are kept but left out of searches and retrievals of whole studies and
series, so that the viewer does not hang them; the query parameter `everything=true` includes
them, and each can be retrieved by its own address.
"""

from flask import Blueprint, request

from dicom_service.web.dicomweb import qido, stow, wado
from dicom_service.web.session import signed_in
from dicom_service.web.site import site
from dicom_service.web.uids import check_address

blueprint = Blueprint("dicomweb", __name__, url_prefix="/dicomweb")
blueprint.url_value_preprocessor(check_address)
for part in (qido, wado, stow):
    part.add_routes(blueprint)


@blueprint.before_request
def _signed_in_and_noted() -> None:
    user = signed_in().user.name
    if request.method in ("GET", "HEAD"):
        study = (request.view_args or {}).get("study", "")
        site().seeing.note("images opened" if study else "studies searched", user, study)
