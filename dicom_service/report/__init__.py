"""Documents of a reading: built, read back, checked, and as plain text. Pure: data in, data out."""

from dicom_service.report.build import Documents, build
from dicom_service.report.from_tree import TreeContent, read_tree
from dicom_service.report.reading_back import read
from dicom_service.report.rules import problems, problems_of_any
from dicom_service.report.rules_tree import is_report
from dicom_service.report.text import plain_text

__all__ = [
    "Documents",
    "TreeContent",
    "build",
    "is_report",
    "plain_text",
    "problems",
    "problems_of_any",
    "read",
    "read_tree",
]
