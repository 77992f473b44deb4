"""Documents of a reading: built, read back, checked, and as plain text. Pure: data in, data out."""

from dicom_service.report.build import Documents, build
from dicom_service.report.changes import changes
from dicom_service.report.encoding import file_of
from dicom_service.report.foreign import ForeignMeasurement, ForeignReport, read_foreign
from dicom_service.report.from_tree import TreeContent, read_tree
from dicom_service.report.header import MAKER
from dicom_service.report.prior import (
    OwnReport,
    Unreadable,
    prevailing_prior,
    read_prior,
    rejected_by,
)
from dicom_service.report.reading_back import read
from dicom_service.report.rules import problems, problems_of_any
from dicom_service.report.rules_tree import is_report
from dicom_service.report.text import plain_text
from dicom_service.report.versions import Version, newer_in_archive, prevailing, version_of
from dicom_service.report.withdrawal import build_withdrawal, read_withdrawal, withdrawal_problems

__all__ = [
    "MAKER",
    "Documents",
    "ForeignMeasurement",
    "ForeignReport",
    "OwnReport",
    "TreeContent",
    "Unreadable",
    "Version",
    "build",
    "build_withdrawal",
    "changes",
    "file_of",
    "is_report",
    "newer_in_archive",
    "plain_text",
    "prevailing",
    "prevailing_prior",
    "problems",
    "problems_of_any",
    "read",
    "read_foreign",
    "read_prior",
    "read_tree",
    "read_withdrawal",
    "rejected_by",
    "version_of",
    "withdrawal_problems",
]
