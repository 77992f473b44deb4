"""Which documents a study has, and who this node is."""

from pathlib import Path

from pydicom.uid import generate_uid

from dicom_service.errors import SetupError
from dicom_service.report.model import Device
from dicom_service.settings import Settings
from dicom_service.store import Store
from dicom_service.workflow.model import DocumentState

PREPARED = "template"
"""Kind of the document that a settled study gets."""


def node_device(folder: Path, settings: Settings) -> Device:
    """The node as an observer; its UID is made once and kept in the data folder."""
    file = folder / "device-uid"
    try:
        if not file.exists():
            fresh = file.with_suffix(".new")
            fresh.write_text(generate_uid(prefix=None), "ascii")
            fresh.replace(file)
        uid = file.read_text("ascii").strip()
    except OSError as error:
        raise SetupError(
            f"The data folder {folder} cannot be used: {error.strerror}. "
            "Make it writable for this user, or name another with data_folder."
        ) from error
    return Device(uid=uid, station_name=settings.ae_title, institution=settings.institution)


def display_name(store: Store, login: str) -> str:
    """What a user is called; their login when they are gone."""
    user = store.user(login)
    return user.display if user else login


def document_states(store: Store, study_uid: str) -> tuple[DocumentState, ...]:
    """The signed documents of a study and their delivery, oldest first."""
    delivery = {row.sop_instance_uid: row for row in store.outbox(study_uid)}
    states = []
    for row in store.documents(study_uid):
        if row.kind == PREPARED:
            continue
        owed = delivery.get(row.sop_instance_uid)
        states.append(
            DocumentState(
                kind=row.kind,
                role=row.role,
                sop_instance_uid=row.sop_instance_uid,
                series_uid=row.series_uid,
                signed_by=display_name(store, row.signed_by),
                signed_at=row.signed_at,
                delivery=owed.state if owed else "",
                delivery_detail=owed.error if owed else "",
            )
        )
    return tuple(states)
