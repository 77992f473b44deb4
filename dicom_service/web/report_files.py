"""The report of a study as files: PDF, plain text, FHIR."""

from flask import Blueprint, Response, request

from dicom_service.web.session import signed_in, signed_in_reader
from dicom_service.web.site import site
from dicom_service.web.uids import check_address, check_uid

blueprint = Blueprint("report_files", __name__, url_prefix="/api/studies/<study>")
blueprint.url_value_preprocessor(check_address)


@blueprint.before_request
def _signed_in() -> None:
    signed_in()


@blueprint.get("/report.pdf")
def pdf(study: str) -> Response:
    """The newest signed report as it is printed; the draft, marked so, before one is signed.

    With `document` the version of the report that was signed with that document.
    """
    document = request.args.get("document", "")
    printed = site().desk.report_pdf(study, check_uid(document) if document else "")
    return _file(printed, "application/pdf", study, "pdf")


@blueprint.get("/report.txt")
def plain_text(study: str) -> Response:
    """The same as plain text."""
    return _file(site().desk.report_text(study), "text/plain", study, "txt")


@blueprint.get("/report.fhir.json")
def fhir(study: str) -> Response:
    """The same as a FHIR R4 bundle."""
    return _file(site().desk.report_fhir(study), "application/fhir+json", study, "fhir.json")


@blueprint.get("/teaching.zip")
def teaching(study: str) -> Response:
    """The signed study as a teaching case: DICOM folder and page, without names."""
    found = signed_in_reader()
    data = site().desk.teaching_file(study)
    here = site()
    here.store.audit(
        "teaching case exported", user=found.user.name, study_uid=study, at=here.clock()
    )
    answer = Response(data, mimetype="application/zip")
    # The name of the file must not carry the UID that the case has lost.
    answer.headers["Content-Disposition"] = 'attachment; filename="teaching-case.zip"'
    return answer


def _file(data: bytes | str, media: str, study: str, ending: str) -> Response:
    answer = Response(data, mimetype=media)
    site().seeing.note("report taken", signed_in().user.name, study)
    answer.headers["Content-Disposition"] = f'inline; filename="report-{study}.{ending}"'
    answer.headers["Cache-Control"] = "private, no-cache"
    return answer
