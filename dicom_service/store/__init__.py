"""Where everything is kept: objects, index, drafts, signed documents, outbox, users, audit.

Two narrow ports: the index (`index.py`; tables in `schema.py`, SQL through SQLAlchemy Core; what
is special to an engine is in a module of its name) and the blobs (`blobs.py`, bytes by generated
name). `Store` joins them.
"""

from dicom_service.store.blobs import full_disk_named
from dicom_service.store.faults import reach
from dicom_service.store.home import is_data_folder
from dicom_service.store.identities import Step
from dicom_service.store.model import (
    AuditCheck,
    AuditRow,
    DocumentRow,
    InstanceHeader,
    ListedStudy,
    ListQuery,
    NewDocument,
    OutboxRow,
    PriorSearch,
    PriorStudy,
    QuarantineRow,
    Reopening,
    SessionRow,
    StoredInstance,
    StudyRow,
    SweepReport,
    UserRow,
)
from dicom_service.store.preferences import Phrase, Preferences
from dicom_service.store.quarantine import Decision
from dicom_service.store.seeing import Seeing
from dicom_service.store.store import Store

__all__ = [
    "AuditCheck",
    "AuditRow",
    "Decision",
    "DocumentRow",
    "InstanceHeader",
    "ListQuery",
    "ListedStudy",
    "NewDocument",
    "OutboxRow",
    "Phrase",
    "Preferences",
    "PriorSearch",
    "PriorStudy",
    "QuarantineRow",
    "Reopening",
    "Seeing",
    "SessionRow",
    "Step",
    "Store",
    "StoredInstance",
    "StudyRow",
    "SweepReport",
    "UserRow",
    "full_disk_named",
    "is_data_folder",
    "reach",
]
