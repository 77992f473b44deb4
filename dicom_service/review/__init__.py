"""The search pattern of one study, and what its reading has answered, left open or contradicted."""

from dicom_service.review.aggressiveness import Graded, aggressiveness
from dicom_service.review.carry import carry_over
from dicom_service.review.check import check_reading
from dicom_service.review.coverage import coverage
from dicom_service.review.crosscheck import Certainty, certainty
from dicom_service.review.evidence import Evidence
from dicom_service.review.gaps import gaps
from dicom_service.review.merging import Mark, merge_edit
from dicom_service.review.opening import opening_reading
from dicom_service.review.propose import Proposal, Step, differentials, next_steps, propose
from dicom_service.review.prose import findings_text
from dicom_service.review.summary import report_text, summary
from dicom_service.review.template import build_template

__all__ = [
    "Certainty",
    "Evidence",
    "Graded",
    "Mark",
    "Proposal",
    "Step",
    "aggressiveness",
    "build_template",
    "carry_over",
    "certainty",
    "check_reading",
    "coverage",
    "differentials",
    "findings_text",
    "gaps",
    "merge_edit",
    "next_steps",
    "opening_reading",
    "propose",
    "report_text",
    "summary",
]
