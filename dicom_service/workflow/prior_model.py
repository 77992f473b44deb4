"""What the panel is told of an animal's earlier studies."""

from typing import Literal

from pydantic import AwareDatetime, Field

from dicom_service.base import Frozen
from dicom_service.intake.model import Side, Spacing
from dicom_service.review.model import Measurement


class PriorFinding(Frozen):
    """A finding of an earlier report, as it can be copied."""

    report: str
    """SOP Instance UID of the report."""
    view: str
    """Label of the view."""
    sentence: str
    descriptors: tuple[str, ...] = ()
    severity: str = ""
    aggressiveness: str = ""
    note: str = ""


class PriorImage(Frozen):
    """An image of an earlier study, and how it hangs."""

    uid: str
    series_uid: str
    view: str
    side: Side
    regions: tuple[str, ...] = ()
    rows: int = 0
    columns: int = 0
    spacing: Spacing = Spacing()
    rotation: int = 0
    flip_horizontal: bool = False
    hung: bool = False
    landmarks: dict[str, tuple[float, float]] = Field(default_factory=dict)
    """Item id -> its middle, where the reader of that study set landmarks on this node."""


class PriorOutline(Frozen):
    """A normal variant that an earlier report outlined on an image."""

    image_uid: str
    view: str
    """Label of the view."""
    name: str
    kind: Literal["ellipse", "outline"]
    points: tuple[tuple[float, float], ...]


class PriorObservation(Frozen):
    """What was said of one item in one earlier report."""

    study_uid: str
    study_date: str
    item: str
    name: str
    value: str
    """The weightiest word over its views: abnormal before undetermined, variant, normal."""
    views: dict[str, str]
    """Label of the view -> the word on it."""
    findings: tuple[PriorFinding, ...] = ()
    outlines: tuple[PriorOutline, ...] = ()
    note: str = ""


class PriorMeasurement(Frozen):
    """An earlier measurement, by this program or another maker's."""

    study_uid: str
    date: str
    meaning: str
    value: float
    unit: str
    item: str = ""
    """Id of the item, when it is one of ours."""
    site: str = ""
    side: str = ""
    tracking_id: str = ""
    tracking_uid: str = ""
    calibration: str = ""
    image_uid: str = ""
    maker: str = ""
    """Empty: this program."""
    code: str = ""
    """Of what another maker measured: scheme and value, with a colon between them."""
    view: str = ""
    view_side: Side = "U"
    spacing: Spacing = Spacing()
    own: Measurement | None = None
    """All of it, when it is one of ours."""


class PriorReport(Frozen):
    """The version of an earlier report that counts."""

    sop_instance_uid: str
    series_uid: str
    kind: str
    signed_by: str = ""
    signed_at: AwareDatetime | None = None
    impression: str = ""
    findings_text: str = ""
    recommendations: str = ""
    findings: tuple[str, ...] = ()
    addenda: tuple[str, ...] = ()
    versions: int = 1
    note: str = ""


class ForeignSummary(Frozen):
    """Another maker's report."""

    sop_instance_uid: str
    series_uid: str
    title: str
    maker: str
    date: str
    complete: bool
    verified: bool
    measurements: int
    texts: tuple[tuple[str, str], ...]
    not_read: tuple[str, ...]


class PriorStudyShown(Frozen):
    """One earlier study."""

    study_uid: str
    study_date: str
    description: str
    state: Literal["here", "archive", "refused"]
    """here: its objects are on this node. refused: perhaps another animal's, so not taken."""
    detail: str = ""
    peer: str = ""
    regions: tuple[str, ...] = ()
    sides: tuple[Side, ...] = ()
    views: tuple[str, ...] = ()
    images: tuple[PriorImage, ...] = ()
    report: PriorReport | None = None
    foreign: tuple[ForeignSummary, ...] = ()
    withdrawn: int = 0
    """Signed versions of the report that are not to be used any more."""
    unreadable: tuple[str, ...] = ()
    """Sentences on documents that could not be read."""


class SearchShown(Frozen):
    """How far the search for earlier studies has come."""

    state: Literal["off", "looking", "found", "failed"]
    words: str
    found: int = 0
    detail: str = ""
    next_at: AwareDatetime | None = None


class Priors(Frozen):
    """All that is known of an animal's earlier studies."""

    search: SearchShown
    studies: tuple[PriorStudyShown, ...]
    more: int = 0
    """Earlier studies that are not listed, because they are too many."""
    observations: dict[str, tuple[PriorObservation, ...]]
    """Item id -> what was said of it before, newest first."""
    measurements: dict[str, tuple[PriorMeasurement, ...]]
    """Item id (ours), tracking identifier or site (others') -> measurements, newest first."""
