"""The template of a study and the reading that fills it.

An *item* is one structure of one side ("R.carpus.radial_carpal"). A *view* is one image, known
by its SOP Instance UID. An observation is the reader's word on one item in one view.
"""

from typing import Annotated, Literal

from pydantic import Field

from dicom_service.base import Frozen
from dicom_service.codes import Code
from dicom_service.intake.model import Side
from dicom_service.review.computed import Computed

Section = Literal["alignment", "bone", "cartilage", "devices", "soft_tissue"]
SECTIONS: tuple[Section, ...] = ("alignment", "bone", "cartilage", "devices", "soft_tissue")
"""The search pattern, in order."""

Visibility = Literal["well", "partly", "no"]
Value = Literal["normal", "abnormal", "variant", "undetermined", "not_assessable"]
CrossCheck = Literal["confirmed", "not_seen", "not_assessable", "no_such_view"]
Place = Annotated[float, Field(allow_inf_nan=False, ge=-1e5, le=1e5)]
Verdict = Literal["supported", "possible", "no_evidence", "excluded", "cannot_assess"]


class Variant(Frozen):
    """A normal variant or pitfall of a structure, as the sentence that a reader needs."""

    id: str
    text: str
    source: str
    grade: str


class TemplateView(Frozen):
    """One image of the study as the template sees it."""

    uid: str
    label: str
    """What the reader is shown: "DPa", "ML (2)"."""
    view: str
    side: Side
    orthogonal: tuple[str, ...] = ()
    """UIDs of the views of this study that show the same side at about a right angle."""


class PhysisCheck(Frozen):
    """What is expected of a physis at this age, and whence."""

    expected: Literal["open", "closed", "either", "unknown"]
    text: str
    source: str
    grade: str


class TemplateItem(Frozen):
    """One structure to look at, with what each view can show of it."""

    id: str
    structure: str
    region: str
    side: Side
    name: str
    section: Section
    group: str
    kind: str
    code: Code
    site: Code
    """Standard code of the region, for readers who do not know our structure codes."""
    visibility: dict[str, Visibility]
    """By view UID, for every view that includes the region; "no" is not asked for."""
    variants: tuple[Variant, ...] = ()
    physis: PhysisCheck | None = None


class TemplateGroup(Frozen):
    """Items that belong together, so that all can be called normal at once after a look at each."""

    id: str
    name: str
    section: Section
    items: tuple[str, ...]


class RuleOutCandidate(Frozen):
    """A condition that the region, signalment or question raises."""

    id: str
    name: str
    code: Code
    why: str
    limits: tuple[str, ...] = ()
    next_steps: tuple[str, ...] = ()


class Template(Frozen):
    """The systematic review of exactly one study."""

    study_uid: str
    revision: int = 1
    species: str = ""
    regions: tuple[str, ...]
    views: tuple[TemplateView, ...]
    items: tuple[TemplateItem, ...]
    groups: tuple[TemplateGroup, ...] = ()
    order: tuple[Section, ...] = SECTIONS
    """The sections in the order in which this site goes through them."""
    rule_outs: tuple[RuleOutCandidate, ...] = ()
    cautions: tuple[str, ...] = ()


class Observation(Frozen):
    """The reader's word on one item in one view."""

    value: Value
    note: str = Field(default="", max_length=4000)
    by_group: bool = False
    """Whether "normal" was said of the whole group at once; each member was shown before."""


class Finding(Frozen):
    """An abnormal observation with what describes it and what the other view says of it."""

    id: str = Field(pattern=r"^[A-Za-z0-9_-]{1,64}$")
    item: str
    view: str
    descriptors: tuple[str, ...] = ()
    severity: Literal["", "mild", "moderate", "severe"] = ""
    aggressiveness: Literal["", "non_aggressive", "indeterminate", "aggressive"] = ""
    """The reader's word; empty: what the descriptors say (`review.aggressiveness`)."""
    note: str = Field(default="", max_length=4000)
    cross_check: dict[str, CrossCheck] = Field(default_factory=dict)
    """By UID of the orthogonal view; key "" with "no_such_view" where the study has none."""
    copied_from: str = Field(default="", pattern=r"^[0-9.]{0,64}$")
    """SOP Instance UID of the earlier report that the description was taken from, if any."""


class Measurement(Frozen):
    """A length or angle drawn on an image, or what the node computed there, for an item.

    `points` are (column, row) in image pixels, the centre of the first pixel at (0.5, 0.5), as
    SCOORD has them (PS3.3 C.18.6.1.2). A length has two points; an angle three: arm, vertex, arm;
    what is computed has those that the reader set, and `computed`. `value` is worked out by the
    node from points and image; of what is computed it is the first number.
    """

    id: str = Field(pattern=r"^[A-Za-z0-9_.-]{1,64}$")
    item: str
    view: str
    kind: Literal["length", "angle", "computed"]
    points: tuple[tuple[float, float], ...] = Field(max_length=12)
    value: float = 0.0
    unit: Literal["mm", "px", "deg", "1"] = "px"
    calibration: str = ""
    finding: str = ""
    note: str = Field(default="", max_length=400)
    computed: Computed | None = None


class Outline(Frozen):
    """A line round a normal variant on one image, so that nobody trips over it again.

    `points` are (column, row) as those of a measurement: of an ellipse the ends of one axis, then
    those of the other, as SCOORD has them; else the corners of a closed line.
    """

    id: str = Field(pattern=r"^[A-Za-z0-9_.-]{1,64}$")
    item: str
    view: str
    name: str = Field(min_length=1, max_length=120)
    """What the variant is called on the image: "nutrient foramen"."""
    kind: Literal["ellipse", "outline"]
    points: tuple[tuple[Place, Place], ...] = Field(min_length=3, max_length=48)


class RuleOut(Frozen):
    """The reader's verdict on one condition."""

    id: str
    verdict: Verdict
    evidence: tuple[str, ...] = ()
    """Ids of findings, or of items observed normal, that the verdict rests on."""
    note: str = Field(default="", max_length=4000)


class Reading(Frozen):
    """All that the reader has entered for one study."""

    template_revision: int = 1
    observations: dict[str, dict[str, Observation]] = Field(default_factory=dict)
    """item id -> view UID -> observation"""
    shown: tuple[str, ...] = ()
    """Ids of the items that the reader has had before their eyes, one by one."""
    findings: tuple[Finding, ...] = ()
    measurements: tuple[Measurement, ...] = ()
    landmarks: dict[str, dict[str, tuple[Place, Place]]] = Field(default_factory=dict)
    """view UID -> item id -> (column, row) of its middle; the viewports are guided by them."""
    prior_landmarks: dict[str, dict[str, tuple[Place, Place]]] = Field(default_factory=dict)
    """The same for images of earlier studies, by their UID."""
    outlines: tuple[Outline, ...] = ()
    """Normal variants, outlined on the images."""
    rule_outs: tuple[RuleOut, ...] = ()
    differentials: tuple[str, ...] = ()
    history: str = Field(default="", max_length=20000)
    technique: str = Field(default="", max_length=20000)
    impression: str = Field(default="", max_length=20000)
    recommendations: str = Field(default="", max_length=20000)
    findings_text: str | None = Field(default=None, max_length=60000)
    """The reader's own wording of the findings; None: written from the observations."""
    findings_generated: str = Field(default="", max_length=60000)
    """What the node had written when the reader took over the wording; merging starts from it."""
    open_accepted: str = Field(default="", max_length=2000)
    """Why the reader signs with questions still open; empty: not accepted."""


class Gap(Frozen):
    """Something still open or contradictory; `item`, `view` and `finding` say where to jump."""

    kind: str
    text: str
    blocking: bool
    item: str = ""
    view: str = ""
    finding: str = ""


class Coverage(Frozen):
    """How much of the search pattern has been answered."""

    asked: int
    answered: int
    sections: dict[str, tuple[int, int]]
    """section -> (answered, asked)"""
