"""What the reader who is signed in chose for themselves."""

from flask import Blueprint, Response, jsonify
from pydantic import ValidationError

from dicom_service.errors import Refused
from dicom_service.web.languages import note_choice
from dicom_service.web.problems import wrong_json
from dicom_service.web.session import json_body, signed_in
from dicom_service.web.site import site

blueprint = Blueprint("preferences", __name__, url_prefix="/api/preferences")


@blueprint.get("")
def of_account() -> Response:
    """Language, colours, keys, dictation and phrases of the caller's account."""
    return jsonify(site().store.preferences(signed_in().user.name).model_dump(mode="json"))


@blueprint.patch("")
def change() -> Response:
    """Change some of them; what the body does not name stays."""
    user = signed_in().user.name
    body = json_body()
    if not isinstance(body, dict):
        raise Refused("The preferences are no JSON object.")
    try:
        kept = site().store.prefer(user, body)
    except ValidationError as error:
        raise wrong_json(error, "preferences") from error
    answer = jsonify(kept.model_dump(mode="json"))
    note_choice(answer, kept)
    return answer
