"""Key Object Selection: the images that findings and measurements point to (PS3.16 TID 2010)."""

from collections.abc import Sequence

from pydicom.dataset import Dataset
from pydicom.uid import KeyObjectSelectionDocumentStorage

from dicom_service.report import header, sentences
from dicom_service.report import items as sr
from dicom_service.report.coded import reference
from dicom_service.report.companions.composite import (
    Made,
    Place,
    add_content_moment,
    composite,
)
from dicom_service.report.content import person_observer
from dicom_service.report.measurements import DCMR
from dicom_service.report.model import Device, ReportContent
from dicom_service.report.names import Names

KIND = Made(KeyObjectSelectionDocumentStorage, "KO", "Limb report, key images")
TEMPLATE = "2010"


def key_views(content: ReportContent) -> tuple[str, ...]:
    """UIDs of the images that a finding or a measurement points to, in the order of the study."""
    reading = content.reading
    pointed = {finding.view for finding in reading.findings}
    pointed |= {measurement.view for measurement in reading.measurements}
    for finding in reading.findings:
        seen = finding.cross_check.items()
        pointed |= {uid for uid, verdict in seen if uid and verdict == "confirmed"}
    return tuple(view.uid for view in content.template.views if view.uid in pointed)


def key_images(
    content: ReportContent, evidence: Sequence[Dataset], device: Device, place: Place
) -> Dataset | None:
    """The selection of a signed report; None when it points to no image.

    Parameters
    ----------
    evidence
        Headers of the instances of the study.
    """
    views = key_views(content)
    if not views:
        return None
    names = Names(content)
    references = [reference(names, uid) for uid in views]
    made = composite(content, evidence, device, place, KIND)
    add_content_moment(made, place)
    made.ReferencedPerformedProcedureStepSequence = []
    header.add_requests(made, content, evidence)
    signer = content.signer
    observer = person_observer(signer.name, signer.login, signer.organization) if signer else ()
    children = [
        *observer,
        *sr.text("CONTAINS", "key_object_description", _description(names)),
        *(sr.nameless(sr.image("CONTAINS", "of_interest", one)) for one in references),
    ]
    header.add_root(made, "of_interest", (*DCMR[:2], TEMPLATE), children)
    study = content.facts.study_uid
    rows = [(study, one.series_uid, header.sop_reference(one)) for one in references]
    made.CurrentRequestedProcedureEvidenceSequence = header.by_study_and_series(rows)
    return made


def _description(names: Names) -> str:
    reading = names.content.reading
    said = [sentences.finding_sentence(names, finding) for finding in reading.findings]
    said += [sentences.measurement_sentence(names, m) for m in reading.measurements]
    return "\n".join(["Images that findings and measurements point to.", *said])
