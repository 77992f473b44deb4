"""Objects whose UID is taken by other bytes: listed, and decided about by a person.

| decision | the object is then | the other copy                                   |
|----------|--------------------|--------------------------------------------------|
| keep     | the first copy     | stays aside, marked as decided                   |
| replace  | the second copy    | the first copy, aside and marked as decided      |
| discard  | the first copy     | is deleted                                       |

Only discard deletes anything; keep and replace can be changed again.
"""

from collections.abc import Sequence
from datetime import datetime
from typing import Any, Literal

from sqlalchemy import Select, delete, insert, select, update

from dicom_service.errors import NotFound, NotReady, Refused
from dicom_service.store import audit, events
from dicom_service.store.blobs import Blob
from dicom_service.store.index import hold, retried
from dicom_service.store.model import InstanceHeader, QuarantineRow
from dicom_service.store.opening import Shelf
from dicom_service.store.schema import instances, quarantine, quarantine_decisions, studies
from dicom_service.store.sites import among
from dicom_service.store.times import from_us, to_us

Decision = Literal["keep", "replace", "discard"]
_PAST: dict[Decision, str] = {"keep": "kept aside", "replace": "replaced", "discard": "discarded"}


def nothing_there(number: int) -> NotFound:
    """What is said where there is no such copy."""
    return NotFound(f"Nothing is in quarantine under the number {number}.")


class Quarantine(Shelf):
    """The copies kept aside."""

    def quarantined(
        self, *, undecided: bool = False, sites: Sequence[str] | None = None
    ) -> list[QuarantineRow]:
        """Objects kept aside because their UID was taken, newest first; of these sites only."""
        query = _rows().where(*among(studies.c.site, sites)).order_by(quarantine.c.id.desc())
        if undecided:
            query = query.where(quarantine_decisions.c.quarantine_id.is_(None))
        with self._index.read() as connection:
            return [self._kept_aside(row) for row in connection.execute(query)]

    def quarantined_copy(self, number: int) -> QuarantineRow:
        """One copy kept aside.

        Raises
        ------
        NotFound
            There is none of this number.
        """
        with self._index.read() as connection:
            row = connection.execute(_rows().where(quarantine.c.id == number)).first()
        if row is None:
            raise nothing_there(number)
        return self._kept_aside(row)

    @retried
    def decide_quarantined(
        self,
        number: int,
        decision: Decision,
        *,
        header: InstanceHeader | None = None,
        reason: str = "",
        user: str,
        at: datetime,
    ) -> None:
        """Carry out what a person decided about a copy.

        Parameters
        ----------
        header
            What is in the copy; needed to replace.

        Raises
        ------
        NotFound
            There is no such copy.
        Refused
            It belongs to another study or object, so it cannot take the place of the first.
        NotReady
            A signed report rests on the first copy.
        """
        gone = ""
        # Asked before: what may take long must not keep the index.
        size = self.quarantined_copy(number).blob.size if decision == "replace" else 0
        with self._index.write("quarantine") as connection:
            row = connection.execute(select(quarantine).where(quarantine.c.id == number)).first()
            if row is None:
                raise nothing_there(number)
            hold(connection, row.study_uid)
            done = quarantine_decisions.c.quarantine_id == number
            connection.execute(delete(quarantine_decisions).where(done))
            if decision == "discard":
                connection.execute(delete(quarantine).where(quarantine.c.id == number))
                gone = row.blob
            else:
                if decision == "replace":
                    _replace(connection, row, header, size)
                connection.execute(
                    insert(quarantine_decisions).values(
                        quarantine_id=number,
                        decision=decision,
                        reason=reason,
                        user=user,
                        at=to_us(at),
                    )
                )
            detail = f"{row.sop_instance_uid} of {row.source}: {_PAST[decision]}; {reason}"
            audit.note(
                connection,
                "different bytes decided",
                at_us=to_us(at),
                user=user,
                study_uid=row.study_uid,
                detail=detail.rstrip("; "),
            )
        if gone:
            self._blobs.remove(gone)

    def _kept_aside(self, row: Any) -> QuarantineRow:
        return QuarantineRow(
            id=row.id,
            sop_instance_uid=row.sop_instance_uid,
            study_uid=row.study_uid,
            blob=Blob(self._blobs, row.blob),
            digest=row.digest,
            source=row.source,
            received_at=from_us(row.received_at),
            decision=row.decision or "",
            decided_by=row.user or "",
            reason=row.reason or "",
            site=row.site or "",
        )


def _rows() -> Select[Any]:
    decided = quarantine_decisions
    columns = (decided.c.decision, decided.c.user, decided.c.reason, studies.c.site)
    return (
        select(quarantine, *columns)
        .join(decided, decided.c.quarantine_id == quarantine.c.id, isouter=True)
        .join(studies, studies.c.study_uid == quarantine.c.study_uid, isouter=True)
    )


def _replace(connection: Any, row: Any, header: InstanceHeader | None, size: int) -> None:
    """The copy becomes the object, and the object the copy; the study is looked at anew."""
    first = connection.execute(
        select(instances).where(instances.c.sop_instance_uid == row.sop_instance_uid)
    ).first()
    same = header is not None and (header.sop_instance_uid, header.study_uid) == (
        row.sop_instance_uid,
        first.study_uid,
    )
    if header is None or not same:
        raise Refused(
            "This copy says that it belongs to another study, so it cannot take the place of the "
            "first one. Keep or discard it, and have the sender give it a UID of its own."
        )
    study = connection.execute(
        select(studies).where(studies.c.study_uid == first.study_uid)
    ).first()
    if study.state in events.CLOSED:
        raise NotReady(
            "A signed report rests on the first copy. Open the report again to correct it, then "
            "replace the image."
        )
    at_us = events.arrived(connection, header, study.latest_at)
    # It is no further image, only another one.
    events.set_values(connection, first.study_uid, images=study.images)
    connection.execute(
        update(instances)
        .where(instances.c.sop_instance_uid == row.sop_instance_uid)
        .values(
            **header.model_dump(),
            blob=row.blob,
            digest=row.digest,
            size=size,
            source=row.source,
            received_at=at_us,
            missing=False,
        )
    )
    connection.execute(
        update(quarantine)
        .where(quarantine.c.id == row.id)
        .values(blob=first.blob, digest=first.digest, source=first.source)
    )
