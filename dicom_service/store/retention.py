"""What may be dropped, and when: images that are elsewhere, of studies that are done.

| kind                       | may be dropped                                                  |
|----------------------------|-----------------------------------------------------------------|
| signed documents, drafts   | never                                                           |
| images of a signed study   | every document is kept by its archive, the report is not open   |
|                            | for correction, nothing is in quarantine, the study is old      |
| images of an earlier study | when they are old                                               |
| images of any other study  | never                                                           |

And only images that the archive lists at that moment. Their rows stay, hidden, so that the same
image that is sent again is known and shown again.
"""

from collections.abc import Collection
from datetime import datetime
from typing import Any

from sqlalchemy import Connection, Select, and_, exists, or_, select, update

from dicom_service.store import audit
from dicom_service.store.index import retried
from dicom_service.store.opening import Shelf
from dicom_service.store.schema import (
    instances,
    outbox,
    quarantine,
    quarantine_decisions,
    reopenings,
    studies,
)
from dicom_service.store.times import now_us, to_us


class Retention(Shelf):
    """Dropping images."""

    def droppable_studies(self, before: datetime, limit: int) -> list[str]:
        """Studies whose images may be dropped if an archive has them, the oldest first.

        Parameters
        ----------
        before
            No image of theirs came later, and nothing was saved later.
        """
        query = (
            _done()
            .where(studies.c.last_object_at < to_us(before), studies.c.saved_at < to_us(before))
            .where(_has_images())
            .order_by(studies.c.last_object_at)
            .limit(limit)
        )
        with self._index.read() as connection:
            return list(connection.execute(query).scalars())

    @retried
    def drop_images(self, study_uid: str, held: Collection[str]) -> int:
        """Drop the images of a study if an archive has all of them; returns how many.

        Parameters
        ----------
        held
            SOP Instance UIDs that the archive lists.
        """
        with self._index.write(study_uid) as connection:
            done = connection.execute(_done().where(studies.c.study_uid == study_uid)).first()
            rows = _images(connection, study_uid)
            if done is None or not rows or {row.sop_instance_uid for row in rows} - set(held):
                return 0
            connection.execute(
                update(instances)
                .where(instances.c.blob.in_([row.blob for row in rows]))
                .values(missing=True)
            )
            audit.note(
                connection,
                "images dropped",
                at_us=now_us(),
                study_uid=study_uid,
                detail=f"{len(rows)} images that the archive has",
            )
        for row in rows:
            self._blobs.remove(row.blob)
        return len(rows)


def _images(connection: Connection, study_uid: str) -> list[Any]:
    query = select(instances.c.blob, instances.c.sop_instance_uid).where(
        instances.c.study_uid == study_uid,
        instances.c.own.is_(False),
        instances.c.missing.is_(False),
    )
    return list(connection.execute(query).all())


def _has_images() -> Any:
    return exists().where(
        instances.c.study_uid == studies.c.study_uid,
        instances.c.own.is_(False),
        instances.c.missing.is_(False),
    )


def _done() -> Select[Any]:
    """Studies of which no image is needed any more."""
    owed = exists().where(
        outbox.c.study_uid == studies.c.study_uid,
        # A peer without storage commitment is never asked again: sent is then the last state.
        or_(outbox.c.state.in_(("owed", "refused")), outbox.c.next_at.is_not(None)),
    )
    delivered = exists().where(outbox.c.study_uid == studies.c.study_uid)
    opened = exists().where(reopenings.c.study_uid == studies.c.study_uid)
    aside = exists().where(
        quarantine.c.study_uid == studies.c.study_uid,
        ~exists().where(quarantine_decisions.c.quarantine_id == quarantine.c.id),
    )
    return select(studies.c.study_uid).where(
        or_(
            studies.c.state == "prior",
            and_(studies.c.state.in_(("signed", "withdrawn")), delivered),
        ),
        studies.c.late_objects == 0,
        ~owed,
        ~opened,
        ~aside,
    )
