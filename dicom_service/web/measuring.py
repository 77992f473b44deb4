"""What the panel asks about measurements, as JSON; nothing of it is kept."""

from flask import Blueprint, Response, g, jsonify
from pydantic import ValidationError

from dicom_service.web.problems import wrong_json
from dicom_service.web.session import json_body, signed_in, signed_in_reader
from dicom_service.web.site import site
from dicom_service.web.uids import check_address
from dicom_service.workflow.accepting import measured
from dicom_service.workflow.changes import changes_in_study
from dicom_service.workflow.comparing import ComparedAsked
from dicom_service.workflow.measurable import measurable
from dicom_service.workflow.measuring import StudyMeasureRequest, animal_of

blueprint = Blueprint("measuring", __name__, url_prefix="/api")
blueprint.url_value_preprocessor(check_address)


@blueprint.post("/studies/<study>/measure")
def measure(study: str) -> Response:
    """Measure on one image of the study; nothing is kept."""
    signed_in_reader()
    try:
        asked = StudyMeasureRequest.model_validate(json_body())
    except ValidationError as error:
        raise wrong_json(error, "measurement") from error
    return jsonify(measured(site().store, study, asked).model_dump(mode="json"))


@blueprint.get("/studies/<study>/measurable")
def what_can_be_measured(study: str) -> Response:
    """What can be computed on the study's images, with landmarks and published values."""
    signed_in()
    opening = site().desk.open(study)
    found = measurable(animal_of(opening.facts.signalment), opening.template.regions)
    return jsonify(found.model_dump(mode="json"))


@blueprint.post("/studies/<study>/changes")
def changes(study: str) -> Response:
    """Measurements beside the same ones of earlier studies and of the other limb."""
    signed_in()
    try:
        asked = ComparedAsked.model_validate(json_body())
    except ValidationError as error:
        raise wrong_json(error, "measurements") from error
    found = changes_in_study(site().store, site().roster.at(g.get("study_site", "")), study, asked)
    return jsonify(found.model_dump(mode="json"))
