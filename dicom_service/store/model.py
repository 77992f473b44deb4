"""What the store takes and gives back."""

from pathlib import Path
from typing import Literal

from pydantic import AwareDatetime, ConfigDict, Field

from dicom_service.base import Frozen
from dicom_service.store.blobs import Blob

StudyState = Literal[
    "kept", "prior", "arriving", "waiting", "reading", "signed", "withdrawn", "failed"
]
"""kept: no image to read, only stored. prior: fetched as an earlier study.
arriving: images still come in, or came in again. waiting: the template is ready.
reading: a draft exists, or a signed report is being corrected. withdrawn: signed, but not to be
used. failed: no template could be made."""

Delivery = Literal["", "owed", "sent", "committed", "refused"]

Stage = Literal[
    "", "to_read", "in_progress", "to_deliver", "delivered", "arriving", "trouble", "withdrawn"
]
"""Where a study is in the work of its readers."""

CR = "1.2.840.10008.5.1.4.1.1.1"
DX_FOR_PRESENTATION = "1.2.840.10008.5.1.4.1.1.1.1"
SECONDARY_CAPTURE = "1.2.840.10008.5.1.4.1.1.7"
CLASSES_TO_READ = frozenset({CR, DX_FOR_PRESENTATION, SECONDARY_CAPTURE})
"""Images of these classes make work; everything else is only kept."""
MODALITIES_NOT_READ = frozenset({"SR", "DOC", "KO", "PR", "REG", "SEG", "PLAN"})
"""A secondary capture of one of these is a picture of a document."""


class InstanceHeader(Frozen):
    """What the index keeps of an object."""

    sop_instance_uid: str
    sop_class_uid: str
    study_uid: str
    series_uid: str
    transfer_syntax: str
    modality: str = ""
    patient_id: str = ""
    patient_name: str = ""
    series_number: int = 0
    instance_number: int = 0
    number_of_frames: int = 0
    rows: int = 0
    columns: int = 0
    series_description: str = ""
    study_date: str = ""
    study_time: str = ""
    accession_number: str = ""
    study_description: str = ""

    @property
    def makes_work(self) -> bool:
        """Whether somebody is to read this image."""
        return self.sop_class_uid in CLASSES_TO_READ and self.modality not in MODALITIES_NOT_READ


class InFile(Frozen):
    """Something whose bytes are kept apart from its row."""

    model_config = ConfigDict(arbitrary_types_allowed=True)

    blob: Blob = Field(exclude=True, repr=False)

    @property
    def path(self) -> Path:
        """The file to read; asked for only then, since it may have to be brought here."""
        return self.blob.path


class StoredInstance(InstanceHeader, InFile):
    """An object as it is kept."""

    size: int
    source: str
    received_at: AwareDatetime
    own: bool
    """Whether this node made it (a signed document)."""


class QuarantineRow(InFile):
    """A second object with a UID that is taken: kept aside, never shown as the object."""

    id: int
    sop_instance_uid: str
    study_uid: str
    digest: str
    source: str
    received_at: AwareDatetime
    decision: str = ""
    """keep or replace; "": a person has yet to decide."""
    decided_by: str = ""
    reason: str = ""
    site: str = ""


class StudyRow(Frozen):
    """One line of the reading list."""

    study_uid: str
    site: str = ""
    """Whose it is; "" where a node has but one site."""
    patient_id: str = ""
    patient_name: str = ""
    species: str = ""
    study_date: str = ""
    study_time: str = ""
    accession_number: str = ""
    description: str = ""
    regions: tuple[str, ...] = ()
    state: StudyState
    detail: str = ""
    """Why the template could not be prepared."""
    reader: str = ""
    images: int = 0
    remarks_count: int = 0
    late_objects: int = 0
    """Images that came after the report was signed."""
    report_kind: str = ""
    """What the version to go by is: final, addendum, correction, withdrawal."""
    report_versions: int = 0
    signed_by: str = ""
    """Display name of whoever signed that version."""
    signed_at: AwareDatetime | None = None
    last_object_at: AwareDatetime
    template_revision: int = 0
    version: int = 0
    delivery: Delivery = ""
    delivery_detail: str = ""


class ListedStudy(StudyRow):
    """One line of the reading list with what a reader chooses by."""

    reader_name: str = ""
    """Display name of whoever reads it."""
    question: str | None = None
    """None: prepared before the list kept it."""
    missing: str = ""
    """Which views of the minimum set are not there."""
    priority: int = 0
    """0 routine, 1 urgent, 2 immediate."""
    priority_by: str = ""
    """Who said so; "" when the request did."""


class ListQuery(Frozen):
    """Which studies to list; everything empty: all but those that nobody is to read."""

    text: str = ""
    states: tuple[StudyState, ...] = ()
    stage: Stage = ""
    urgent: bool = False
    missing: bool = False
    species: str = ""
    reader: str = ""
    order: Literal["queue", "newest"] = "queue"
    sites: tuple[str, ...] | None = None
    """Of these sites only; None: of all."""


class Reopening(Frozen):
    """A signed report is being corrected."""

    of_uid: str
    """SOP Instance UID of the version that was opened again."""
    reason: str
    user: str
    at: AwareDatetime


class NewDocument(Frozen):
    """A document to be stored: `data` is the whole DICOM file."""

    kind: str
    role: str
    sop_instance_uid: str
    sop_class_uid: str
    series_uid: str
    data: bytes


class DocumentRow(InFile):
    """A document that this node made."""

    kind: str
    role: str
    sop_instance_uid: str
    sop_class_uid: str
    series_uid: str
    study_uid: str
    signed_by: str = ""
    signed_at: AwareDatetime | None = None
    created_at: AwareDatetime


class OutboxRow(InFile):
    """A document owed to a peer."""

    id: int
    study_uid: str
    sop_instance_uid: str
    sop_class_uid: str
    destination: str
    state: Literal["owed", "sent", "committed", "refused"]
    attempts: int
    """Deliveries and commitment requests that failed in a row."""
    transaction_uid: str = ""
    error: str = ""
    site: str = ""
    """Of its study: whose peer the destination is."""
    lease: int = 0
    """When and for whom it is taken: see outbox.py. 0: by nobody."""


class PriorSearch(Frozen):
    """How far the search for earlier studies of a study has come."""

    state: Literal["looking", "found", "failed"]
    attempts: int = 0
    """Searches that failed in a row."""
    next_at: AwareDatetime | None = None
    """When it is tried again; None: it is not."""
    found: int = 0
    detail: str = ""

    @property
    def words(self) -> str:
        """The state for a reader."""
        if self.state == "looking":
            return "looking"
        if self.state == "failed":
            return f"archive did not answer: {self.detail}"
        return f"found {self.found}"


class PriorStudy(Frozen):
    """An earlier study that an archive named."""

    prior_uid: str
    peer: str = ""
    study_date: str = ""
    description: str = ""
    state: Literal["listed", "fetched", "failed", "refused"]
    """listed: known, not fetched. refused: perhaps of another animal, so not taken."""
    detail: str = ""


class UserRow(Frozen):
    """Somebody who can sign in."""

    name: str
    display: str
    password_hash: str
    roles: tuple[str, ...]
    """At the site without a name."""
    disabled: bool = False
    sites: dict[str, tuple[str, ...]] = Field(default={})
    """Site with a name -> roles there."""

    def at(self, site: str) -> tuple[str, ...]:
        """Roles at a site."""
        return self.sites.get(site, ()) if site else self.roles

    @property
    def hash_in_use(self) -> str | None:
        """What a password is compared with; None: no password fits."""
        return None if self.disabled else self.password_hash


class SessionRow(Frozen):
    """Somebody who is signed in."""

    user: str
    csrf: str
    expires: AwareDatetime


class AuditRow(Frozen):
    """One event that must stay traceable."""

    id: int
    at: AwareDatetime
    event: str
    user: str
    study_uid: str
    detail: str
    site: str = ""
    digest: str = ""
    """Its seal: the digest of it and of everything before it."""


class AuditCheck(Frozen):
    """Whether the audit trail is as it was written."""

    count: int
    """Events that were looked at."""
    head: str
    """Digest of the last good one: keep it elsewhere to prove the trail later."""
    broken_at: int | None = None
    """Number of the first event that is not as it was written."""
    why: str = ""
    """Empty: all is as it was written."""


class Overview(Frozen):
    """How much there is of what."""

    studies: dict[str, int]
    """By state."""
    deliveries: dict[str, int]
    """By state."""
    objects: int
    object_bytes: int
    quarantined: int
    oldest_delivery: AwareDatetime | None = None
    """When the oldest document that a peer does not have for certain was made."""
    free_bytes: int
    disk_bytes: int


class Owed(Frozen):
    """A delivery as an administrator sees it."""

    id: int
    study_uid: str
    site: str = ""
    patient_name: str
    patient_id: str
    kind: str
    role: str
    sop_instance_uid: str
    destination: str
    state: Delivery
    attempts: int
    error: str
    created_at: AwareDatetime
    next_at: AwareDatetime | None = None


class SweepReport(Frozen):
    """What was found lying about when the store was opened."""

    temporary_files: int = 0
    """Half-received objects, never acknowledged: removed."""
    blobs_without_rows: int = 0
    """Files that nothing in the index knows: moved to the folder set-aside."""
    rows_without_blobs: int = 0
    """Objects whose file is gone: hidden until they are sent again."""
    retried: int = 0
    """Studies without a template, to be prepared again."""

    @property
    def sentence(self) -> str:
        """What a person should know; empty when all was in order."""
        parts = []
        if self.temporary_files:
            parts.append(f"{self.temporary_files} half-received objects were removed")
        if self.blobs_without_rows:
            parts.append(f"{self.blobs_without_rows} unknown files were moved to set-aside")
        if self.rows_without_blobs:
            parts.append(
                f"{self.rows_without_blobs} stored objects have lost their file; "
                "send these studies again from the archive"
            )
        return f"After the last stop: {'; '.join(parts)}." if parts else ""
