"""Documents of a reading: built, read back, checked, and as plain text. Pure: data in, data out."""

from dicom_service.report.build import Documents, build
from dicom_service.report.changes import changes
from dicom_service.report.from_tree import TreeContent, read_tree
from dicom_service.report.reading_back import read
from dicom_service.report.rules import problems
from dicom_service.report.text import plain_text
from dicom_service.report.versions import Version, newer_in_archive, prevailing, version_of
from dicom_service.report.withdrawal import build_withdrawal, read_withdrawal, withdrawal_problems

__all__ = [
    "Documents",
    "TreeContent",
    "Version",
    "build",
    "build_withdrawal",
    "changes",
    "newer_in_archive",
    "plain_text",
    "prevailing",
    "problems",
    "read",
    "read_tree",
    "read_withdrawal",
    "version_of",
    "withdrawal_problems",
]
