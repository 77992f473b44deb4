"""What the web part needs of the desk; `workflow.Desk` has it, and so has a fake in tests."""

from typing import Protocol

from dicom_service.review.model import Reading
from dicom_service.workflow.model import Correction, OpenReading, Preview, Saved, WithdrawalReason
from dicom_service.workflow.prior_model import Priors


class DeskPort(Protocol):
    """Works on one study at a time; raises the errors of `dicom_service.errors`."""

    def open(self, study_uid: str) -> OpenReading:
        """All that a panel shows of a study."""

    def save(self, study_uid: str, version: int, reading: Reading, user: str) -> Saved:
        """Keep what was entered on top of `version`."""

    def preview(self, study_uid: str) -> Preview:
        """The text of the report as it stands."""

    def priors(self, study_uid: str) -> Priors:
        """Earlier studies of the same animal."""

    def correct(self, study_uid: str, image_uid: str, said: Correction, user: str) -> None:
        """Take the reader's word on what an image shows."""

    def correct_species(self, study_uid: str, species: str, user: str) -> None:
        """Take the reader's word on the species."""

    def sign(self, study_uid: str, version: int, user: str, password: str | None) -> None:
        """Sign the reading."""

    def add_addendum(self, study_uid: str, text: str, user: str, password: str | None) -> None:
        """Add a remark to a signed report."""

    def verify(self, user: str, password: str | None, study_uid: str) -> None:
        """Check that a user may sign a study."""

    def reopen_for_correction(self, study_uid: str, user: str, reason: str) -> None:
        """Make the signed report a draft again."""

    def give_up_correction(self, study_uid: str, user: str) -> None:
        """Drop a correction that was not signed."""

    def withdraw(
        self, study_uid: str, reason: WithdrawalReason, text: str, user: str, password: str | None
    ) -> None:
        """Say that the signed report is not to be used."""

    def draft_document(self, study_uid: str, user: str) -> bytes:
        """The draft as a DICOM file."""

    def report_pdf(self, study_uid: str, document_uid: str = "") -> bytes:
        """The report as it is printed; the newest, or the one signed with this document."""

    def report_text(self, study_uid: str) -> str:
        """The report as plain text."""

    def report_fhir(self, study_uid: str) -> str:
        """The report as a FHIR R4 bundle in JSON."""

    def teaching_file(self, study_uid: str) -> bytes:
        """The signed study as a case without names, in a ZIP file."""

    def template_document(self, study_uid: str) -> bytes:
        """The prepared template as a DICOM file."""
