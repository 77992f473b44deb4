"""What the headers of one study say, and what in them does not fit."""

from typing import Literal

from pydantic import Field

from dicom_service.base import Frozen
from dicom_service.codes import Code

Side = Literal["L", "R", "B", "U"]
"""Left, right, both in one image, unknown."""

SpacingKind = Literal["fiducial", "geometry", "detector", "unknown", "none"]
"""How far millimetres can be trusted; the ladder of PS3.3 10.7.1, best first."""


Confidence = Literal["stated", "inferred", "guessed", ""]
"""stated: in a coded field or by the reader; inferred: from a description or from human words;
guessed: from words for the whole study, or against another header; empty: not found."""


BY_READER = "reader"
"""What `view_found_in`, `region_found_in` and `species_found_in` say of a correction."""


class Signalment(Frozen):
    """The animal: who it is, what it is, how old it is."""

    patient_name: str = ""
    patient_id: str = ""
    species: str | None = None
    """Id of a species of the atlas: dog, cat, horse or one that the site has added."""
    species_code: Code | None = None
    species_text: str = ""
    species_found_in: str = ""
    """"reader" when the reader has put it right; else it is what the headers say."""
    breed: str = ""
    birth_date: str = ""
    age_months: float | None = None
    sex: Literal["M", "F", "O", ""] = ""
    neutered: bool | None = None
    responsible_person: str = ""


class Spacing(Frozen):
    """Pixel spacing in mm (row, column) and how it was found; 0 when there is none."""

    kind: SpacingKind = "none"
    row_mm: float = 0.0
    column_mm: float = 0.0


class Exposure(Frozen):
    """Exposure as the header states it (IEC 62494-1 indices; kV; mAs)."""

    index: float | None = None
    target: float | None = None
    deviation: float | None = None
    kvp: float | None = None
    mas: float | None = None


class ImageFacts(Frozen):
    """One image of the study. `uid` (SOP Instance UID) is the identity of the view everywhere."""

    uid: str
    series_uid: str
    sop_class_uid: str
    series_number: int = 0
    instance_number: int = 0
    rows: int = 0
    columns: int = 0
    regions: tuple[str, ...] = ()
    region_found_in: str = ""
    region_confidence: Confidence = ""
    digits: tuple[int, ...] = ()
    """The only digits that the image is aimed at; empty: all of the part."""
    view: str = ""
    view_found_in: str = ""
    view_confidence: Confidence = ""
    side: Side = "U"
    spacing: Spacing = Spacing()
    exposure: Exposure = Exposure()
    rotation: Literal[0, 90, 180, 270] = 0
    flip_horizontal: bool = False
    """Flip in image axes first, then rotate clockwise: proximal up, cranial/dorsal to the left."""
    hung: bool = False
    """Whether the header allowed rotation and flip to be worked out."""


class Remark(Frozen):
    """One thing that does not fit or is missing, in a sentence that says what to do."""

    key: str
    severity: Literal["warning", "note"]
    text: str
    image_uid: str = ""


class StudyFacts(Frozen):
    """Everything the node knows of a study before anyone reads it."""

    study_uid: str
    accession_number: str = ""
    study_date: str = ""
    study_time: str = ""
    description: str = ""
    question: str = ""
    referring: str = ""
    institution: str = ""
    signalment: Signalment = Signalment()
    images: tuple[ImageFacts, ...] = Field(default=())
    remarks: tuple[Remark, ...] = ()
