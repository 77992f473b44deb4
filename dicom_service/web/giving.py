"""Giving a study to another site, for whoever looks after the whole node."""

from flask import Blueprint, Response, jsonify
from pydantic import Field, ValidationError, field_validator

from dicom_service.base import Frozen
from dicom_service.errors import Refused
from dicom_service.site_settings import UNNAMED
from dicom_service.web.admin import operator
from dicom_service.web.problems import wrong_json
from dicom_service.web.session import json_body
from dicom_service.web.site import site
from dicom_service.web.uids import check_address

blueprint = Blueprint("giving", __name__, url_prefix="/api/admin/studies")
blueprint.url_value_preprocessor(check_address)


class Given(Frozen):
    """To which site a study goes, and why; the reason stands in the audit trail of both."""

    site: str = Field(max_length=64)
    reason: str = Field(max_length=2000)

    @field_validator("reason")
    @classmethod
    def _said(cls, reason: str) -> str:
        if not reason.strip():
            raise ValueError("say why")
        return reason.strip()


@blueprint.post("/<study>/site")
def give(study: str) -> Response:
    """Give a study to another site, with its images, reports and deliveries."""
    user = operator().user.name
    try:
        asked = Given.model_validate(json_body())
    except ValidationError as error:
        raise wrong_json(error, "gift") from error
    here = site()
    if asked.site not in (UNNAMED, *here.settings.site_ids):
        raise Refused(f"There is no site {asked.site[:32]}.")
    owed = here.store.give_study(
        study,
        asked.site,
        archive=here.roster.at(asked.site).archive,
        reason=asked.reason,
        user=user,
        at=here.clock(),
    )
    here.on_stored()
    here.on_outbox()
    return jsonify({"site": asked.site, "owed": owed})
