"""Documents of a reading: built, read back, checked, and as plain text. Pure: data in, data out."""

from dicom_service.report.build import Documents, build
from dicom_service.report.foreign import ForeignMeasurement, ForeignReport, read_foreign
from dicom_service.report.from_tree import TreeContent, read_tree
from dicom_service.report.header import MAKER
from dicom_service.report.prior import OwnReport, Unreadable, prevailing, read_prior, rejected_by
from dicom_service.report.reading_back import read
from dicom_service.report.rules import problems
from dicom_service.report.text import plain_text

__all__ = [
    "MAKER",
    "Documents",
    "ForeignMeasurement",
    "ForeignReport",
    "OwnReport",
    "TreeContent",
    "Unreadable",
    "build",
    "plain_text",
    "prevailing",
    "problems",
    "read",
    "read_foreign",
    "read_prior",
    "read_tree",
    "rejected_by",
]
