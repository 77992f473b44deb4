"""How far the documents of a study have come on their way out."""

from collections.abc import Sequence

from sqlalchemy import Connection, insert, select

from dicom_service.store.index import SEND, one_of, tell
from dicom_service.store.model import NewDocument
from dicom_service.store.schema import outbox

NO_ARCHIVE = "No archive is set; the report waits. An administrator can set one (archive)."
_WORST_FIRST = ("refused", "owed", "sent", "committed")


def add_deliveries(
    connection: Connection,
    study_uid: str,
    documents: Sequence[NewDocument],
    destinations: Sequence[str],
) -> None:
    """Owe every document to every destination; "" stands for an archive yet to be set."""
    for document in documents:
        for destination in destinations:
            connection.execute(
                insert(outbox).values(
                    sop_instance_uid=document.sop_instance_uid,
                    study_uid=study_uid,
                    destination=destination,
                    state="owed",
                    next_at=0,
                    error="" if destination else NO_ARCHIVE,
                )
            )
            tell(connection, SEND)


def deliveries(connection: Connection, study_uids: Sequence[str]) -> dict[str, tuple[str, str]]:
    """For each study: the state of the document that has come least far, and why."""
    found: dict[str, tuple[str, str]] = {}
    query = select(outbox.c.study_uid, outbox.c.state, outbox.c.error).where(
        one_of(connection, outbox.c.study_uid, study_uids)
    )
    for row in connection.execute(query.order_by(outbox.c.id)):
        before = found.get(row.study_uid)
        if before is None or _rank(row.state, row.error) <= _rank(*before):
            found[row.study_uid] = (row.state, row.error)
    return found


def _rank(state: str, error: str) -> tuple[int, bool]:
    return _WORST_FIRST.index(state), not error
