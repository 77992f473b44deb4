"""The reader's word on what an image shows and on the species, in place of the headers'."""

from typing import TYPE_CHECKING

from dicom_service import intake
from dicom_service.errors import NotReady
from dicom_service.store.events import CLOSED
from dicom_service.workflow.model import Correction

if TYPE_CHECKING:
    from dicom_service.workflow.desk import Desk

ANIMAL = ""
"""Among the corrections of a study's images, the one that is about the animal."""


def correct(desk: "Desk", study_uid: str, image_uid: str, said: Correction, user: str) -> None:
    """Take the reader's word on an image; see `Desk.correct`."""
    facts = _open_facts(desk, study_uid)
    intake.corrected(facts, image_uid, **dict(said))
    if before := desk.store.corrections(study_uid).get(image_uid):
        # What was corrected earlier and is not mentioned now stays corrected.
        told = {name: value for name, value in dict(said).items() if value is not None}
        said = Correction.model_validate_json(before).model_copy(update=told)
    desk.store.save_correction(
        study_uid, image_uid, said.model_dump_json(), user=user, at=desk.clock()
    )
    desk.prepare(study_uid)


def correct_species(desk: "Desk", study_uid: str, species: str, user: str) -> None:
    """Take the reader's word on the species; see `Desk.correct_species`."""
    _open_facts(desk, study_uid)
    intake.describe([], species=species)
    desk.store.save_correction(study_uid, ANIMAL, species, user=user, at=desk.clock())
    desk.prepare(study_uid)


def _open_facts(desk: "Desk", study_uid: str) -> intake.StudyFacts:
    row = desk.row(study_uid)
    facts, _ = desk.preparation(row)
    if row.state in CLOSED:
        raise NotReady(CLOSED[row.state])
    return facts
