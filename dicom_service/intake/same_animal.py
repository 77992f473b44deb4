"""Is a study with the same patient ID a study of the same animal?

Practice systems reuse numbers, and cameras let people type them. What contradicts is said, and
the study is then not taken for the animal's own; what is missing contradicts nothing.
"""

import unicodedata

from pydicom import Dataset

from dicom_service.anatomy import Atlas, atlas
from dicom_service.intake.model import Signalment
from dicom_service.intake.signalment import read_signalment
from dicom_service.intake.values import day, text


def signalment_of(header: Dataset, known: Atlas | None = None) -> Signalment:
    """The animal as one header, or one answer of an archive, describes it."""
    found, _ = read_signalment([header], text(header, "StudyDate"), known or atlas())
    return found


def contradictions(ours: Signalment, theirs: Signalment) -> tuple[str, ...]:
    """Why `theirs` may be another animal, in words; empty: nothing speaks against it."""
    said = []
    if ours.patient_id.strip() != theirs.patient_id.strip():
        said.append(f"patient ID '{theirs.patient_id}' instead of '{ours.patient_id}'")
    mine, other = _words(ours.patient_name), _words(theirs.patient_name)
    if mine and other and not (mine <= other or other <= mine):
        said.append(f"name '{theirs.patient_name}' instead of '{ours.patient_name}'")
    if ours.species and theirs.species and ours.species != theirs.species:
        said.append(f"species {theirs.species} instead of {ours.species}")
    if ours.birth_date and theirs.birth_date and ours.birth_date != theirs.birth_date:
        said.append(f"birth date {day(theirs.birth_date)} instead of {day(ours.birth_date)}")
    return tuple(said)


def _words(name: str) -> set[str]:
    """The words of a name, in any order, without case and accents."""
    flat = unicodedata.normalize("NFKD", name).casefold()
    kept = "".join(c if c.isalnum() else " " for c in flat if not unicodedata.combining(c))
    return set(kept.split())
