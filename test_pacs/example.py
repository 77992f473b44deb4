"""A reading of an invented study that needs no node: for samples, examinations and tests."""

from collections.abc import Sequence

from pydicom.dataset import Dataset

from dicom_service import intake, review
from dicom_service.measure import complete
from dicom_service.report.model import Person, ReportContent
from test_pacs.reader import normal_reading, with_finding

SIGNER = Person(login="sample", name="Sample^Sonia^^Dr", organization="Invented Demo Clinic")


def example_content(images: Sequence[Dataset]) -> ReportContent:
    """The draft of a fracture of the distal radius with its length, everything else normal.

    Parameters
    ----------
    images
        A study of a region that has a distal radius, as of `test_pacs.studies.small_study`.
    """
    facts = intake.describe(images)
    template = review.build_template(facts)
    reading = with_finding(
        template,
        normal_reading(template, review.opening_reading(facts, template)),
        "radius_distal",
        ["fracture_line"],
        points=[(60.0, 60.0), (60.0, 90.0)],
        impression="Fracture of the distal radius.",
    )
    known = {image.uid: image for image in facts.images}
    measured = tuple(complete(m, known[m.view]) for m in reading.measurements)
    reading = reading.model_copy(update={"measurements": measured})
    return ReportContent(
        kind="draft",
        facts=facts,
        template=template,
        reading=reading,
        findings_text=review.findings_text(facts, template, reading),
    )
