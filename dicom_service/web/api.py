"""What the panel and the reading list ask for, as JSON."""

from flask import Blueprint, Response, jsonify, request
from pydantic import BaseModel, Field, ValidationError

from dicom_service.base import Frozen
from dicom_service.errors import NotAllowed
from dicom_service.review.model import Reading
from dicom_service.web.oidc import proof
from dicom_service.web.problems import VersionMissing, wrong_json
from dicom_service.web.queries import unless_known
from dicom_service.web.session import json_body, signed_in, signed_in_reader
from dicom_service.web.site import site
from dicom_service.web.uids import check_address
from dicom_service.workflow.model import Correction, WithdrawalReason

blueprint = Blueprint("api", __name__, url_prefix="/api")
blueprint.url_value_preprocessor(check_address)


class Signature(Frozen):
    """A signature: the version that was seen, and the password again, if there is one."""

    version: int = Field(ge=0)
    password: str = Field(default="", max_length=1024)


class Remark(Frozen):
    """An addendum."""

    text: str = Field(min_length=1, max_length=20000)
    password: str = Field(default="", max_length=1024)


class Reopening(Frozen):
    """Why a signed report is opened again; the password where the panel asks for it."""

    reason: str = Field(min_length=1, max_length=4000)
    password: str = Field(default="", max_length=1024)


class WithdrawalAsked(Frozen):
    """Why a signed report is not to be used any more."""

    reason: WithdrawalReason
    text: str = Field(min_length=1, max_length=20000)
    password: str = Field(default="", max_length=1024)


class SpeciesCorrection(Frozen):
    """The species as the reader sees it, by its id."""

    species: str = Field(min_length=1, max_length=64)


class ImageCorrection(Correction):
    """A correction and the image that it is about."""

    image_uid: str = Field(min_length=1, max_length=64)


@blueprint.get("/studies/<study>/reading")
def open_reading(study: str) -> Response:
    """Everything that the panel shows; the version is in the ETag too."""
    found = signed_in()
    opened = site().desk.open(study)
    site().seeing.note("study opened", found.user.name, study)
    return _versioned(opened, opened.version)


@blueprint.put("/studies/<study>/reading")
def save_reading(study: str) -> Response:
    """Keep what was entered on top of the version in If-Match."""
    found = signed_in_reader()
    version = _if_match()
    try:
        reading = Reading.model_validate(json_body())
    except ValidationError as error:
        raise wrong_json(error, "reading") from error
    saved = site().desk.save(study, version, reading, found.user.name)
    return _versioned(saved, saved.version)


@blueprint.get("/studies/<study>/preview")
def preview(study: str) -> Response:
    """The text of the report as it stands."""
    signed_in()
    return jsonify(site().desk.preview(study).model_dump(mode="json"))


@blueprint.get("/studies/<study>/priors")
def priors(study: str) -> Response:
    """Earlier studies of the same animal, and how far the search for them has come."""
    signed_in()
    return unless_known(jsonify(site().desk.priors(study).model_dump(mode="json")))


@blueprint.post("/studies/<study>/correction")
def correct(study: str) -> Response:
    """Correct view, side or regions of an image; answers like the reading, newly prepared."""
    found = signed_in_reader()
    try:
        asked = ImageCorrection.model_validate(json_body())
    except ValidationError as error:
        raise wrong_json(error, "correction") from error
    said = Correction(**asked.model_dump(exclude={"image_uid"}))
    site().desk.correct(study, asked.image_uid, said, found.user.name)
    return open_reading(study)


@blueprint.post("/studies/<study>/species")
def correct_species(study: str) -> Response:
    """Put the species right; answers like the reading, newly prepared."""
    found = signed_in_reader()
    try:
        asked = SpeciesCorrection.model_validate(json_body())
    except ValidationError as error:
        raise wrong_json(error, "correction") from error
    site().desk.correct_species(study, asked.species, found.user.name)
    return open_reading(study)


@blueprint.post("/studies/<study>/sign")
def sign(study: str) -> Response:
    """Sign the reading."""
    found = signed_in_reader()
    try:
        asked = Signature.model_validate(json_body())
    except ValidationError as error:
        raise wrong_json(error, "signature") from error
    given = proof(found, study, asked.password)
    with _PasswordTry(found.user.name):
        site().desk.sign(study, asked.version, found.user.name, given)
    return _documents(study)


@blueprint.post("/studies/<study>/addendum")
def add_addendum(study: str) -> Response:
    """Add a remark to a signed report."""
    found = signed_in_reader()
    try:
        asked = Remark.model_validate(json_body())
    except ValidationError as error:
        raise wrong_json(error, "addendum") from error
    given = proof(found, study, asked.password)
    with _PasswordTry(found.user.name):
        site().desk.add_addendum(study, asked.text, found.user.name, given)
    return _documents(study)


@blueprint.post("/studies/<study>/correction-of-report")
def reopen_for_correction(study: str) -> Response:
    """Open the signed report again; answers like the reading."""
    found = signed_in_reader()
    try:
        asked = Reopening.model_validate(json_body())
    except ValidationError as error:
        raise wrong_json(error, "reason") from error
    if asked.password:
        with _PasswordTry(found.user.name):
            site().desk.verify(found.user.name, asked.password, study)
    site().desk.reopen_for_correction(study, found.user.name, asked.reason)
    return open_reading(study)


@blueprint.delete("/studies/<study>/correction-of-report")
def give_up_correction(study: str) -> Response:
    """Leave the signed report as it was; answers like the reading."""
    found = signed_in_reader()
    site().desk.give_up_correction(study, found.user.name)
    return open_reading(study)


@blueprint.post("/studies/<study>/withdrawal")
def withdraw(study: str) -> Response:
    """Say to everybody that the signed report is not to be used."""
    found = signed_in_reader()
    try:
        asked = WithdrawalAsked.model_validate(json_body())
    except ValidationError as error:
        raise wrong_json(error, "withdrawal") from error
    name = found.user.name
    given = proof(found, study, asked.password)
    with _PasswordTry(name):
        site().desk.withdraw(study, asked.reason, asked.text, name, given)
    return _documents(study)


@blueprint.get("/studies/<study>/draft")
def draft(study: str) -> Response:
    """The draft as a DICOM file that says that nobody has signed it."""
    found = signed_in()
    data = site().desk.draft_document(study, found.user.name)
    site().seeing.note("draft taken", found.user.name, study)
    answer = Response(data, mimetype="application/dicom")
    answer.headers["Content-Disposition"] = f'attachment; filename="draft-{study}.dcm"'
    return answer


@blueprint.get("/studies/<study>/template")
def template(study: str) -> Response:
    """The prepared template: a DICOM file when asked for application/dicom, else JSON."""
    signed_in()
    accepted = request.accept_mimetypes
    if accepted["application/dicom"] > accepted["application/json"]:
        answer = Response(site().desk.template_document(study), mimetype="application/dicom")
        answer.headers["Content-Disposition"] = f'attachment; filename="template-{study}.dcm"'
        return answer
    return jsonify(site().desk.open(study).template.model_dump(mode="json"))


class _PasswordTry:
    """Counts wrong passwords at signing like those at sign-in."""

    def __init__(self, user: str) -> None:
        self.pair = (user, request.remote_addr or "")

    def __enter__(self) -> None:
        site().throttle.check(*self.pair)

    def __exit__(self, kind: object, error: BaseException | None, trace: object) -> None:
        if isinstance(error, NotAllowed):
            site().throttle.failed(*self.pair)
        elif error is None:
            site().throttle.succeeded(*self.pair)


def _documents(study: str) -> Response:
    documents = site().desk.open(study).documents
    return jsonify({"documents": [row.model_dump(mode="json") for row in documents]})


def _versioned(model: BaseModel, version: int) -> Response:
    answer = Response(model.model_dump_json(), mimetype="application/json")
    answer.headers["ETag"] = f'"{version}"'
    return answer


def _if_match() -> int:
    given = request.headers.get("If-Match", "").strip().removeprefix("W/").strip('"')
    if not (given.isascii() and given.isdigit() and len(given) < 16):
        raise VersionMissing('The header If-Match: "N" with the loaded version N is missing.')
    return int(given)
