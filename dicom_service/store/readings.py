"""Drafts: what a reader has entered, saved with every change."""

from datetime import datetime
from typing import Any

from sqlalchemy import Connection, delete, insert, select

from dicom_service.errors import NotFound, NotReady, VersionConflict
from dicom_service.review.model import Reading
from dicom_service.store import events
from dicom_service.store.audit import note
from dicom_service.store.faults import reach
from dicom_service.store.index import SETTLE, retried, tell
from dicom_service.store.opening import Shelf
from dicom_service.store.schema import corrections, studies
from dicom_service.store.times import to_us

_AGAIN_AFTER_US = 10 * 60 * 1_000_000
_GUARDED = (
    studies.c.state,
    studies.c.stale,
    studies.c.version,
    studies.c.template_revision,
    studies.c.reader,
    studies.c.saved_at,
)


class Readings(Shelf):
    """The reading of each study, with a version that guards against lost changes."""

    def reading(self, study_uid: str) -> tuple[int, Reading]:
        """Version and content; version 0 with an empty reading when nothing was saved.

        Raises
        ------
        NotFound
            No such study.
        """
        query = select(studies.c.version, studies.c.reading).where(studies.c.study_uid == study_uid)
        with self._index.read() as connection:
            row = connection.execute(query).first()
        if row is None:
            raise NotFound(f"No study {study_uid} is on this node.")
        return row.version, Reading.model_validate_json(row.reading or "{}")

    @retried
    def save_reading(
        self, study_uid: str, reading: Reading, *, expected: int, user: str, at: datetime
    ) -> int:
        """Keep a reading; on disk when this returns.

        Parameters
        ----------
        expected
            The version that the change was made on.

        Returns
        -------
        int
            The new version.

        Raises
        ------
        NotFound
            No such study.
        NotReady
            There is no template yet, or the report is signed.
        VersionConflict
            Somebody saved since.
        """
        reach("save.before")
        written = reading.model_dump_json()
        with self._index.write(study_uid) as connection:
            row = _open_to_readers(connection, study_uid)
            if row.version != expected:
                if row.version == expected + 1 and row.reader == user:
                    column = select(studies.c.reading).where(studies.c.study_uid == study_uid)
                    if connection.execute(column).scalar() == written:
                        return expected + 1  # it was kept, and the caller did not hear of it
                raise VersionConflict(
                    "The reading was changed in another window or by another reader "
                    "since you loaded it.",
                    row.version,
                )
            events.set_values(
                connection,
                study_uid,
                state="reading",
                # A late image brought it back to arriving: it still needs its new template.
                stale=row.stale or row.state == "arriving",
                version=expected + 1,
                reading=written,
                reader=user,
                saved_at=to_us(at),
            )
            if row.reader != user or not 0 <= to_us(at) - row.saved_at < _AGAIN_AFTER_US:
                # Every key press is saved; the trail says who and when, not how often.
                note(
                    connection,
                    "reading changed",
                    at_us=to_us(at),
                    user=user,
                    study_uid=study_uid,
                    detail=f"version {expected + 1}",
                )
        reach("save.committed")
        return expected + 1

    def corrections(self, study_uid: str) -> dict[str, str]:
        """What readers said that images show, as it was given: JSON by SOP Instance UID."""
        query = select(corrections.c.image_uid, corrections.c.said).where(
            corrections.c.study_uid == study_uid
        )
        with self._index.read() as connection:
            return {row.image_uid: row.said for row in connection.execute(query)}

    @retried
    def save_correction(
        self, study_uid: str, image_uid: str, said: str, *, user: str, at: datetime
    ) -> None:
        """Keep what a reader says that an image shows; the study then needs a new template.

        Raises
        ------
        NotFound
            No such study.
        NotReady
            It has no template yet, or its report is signed.
        """
        key = {"study_uid": study_uid, "image_uid": image_uid}
        with self._index.write(study_uid) as connection:
            row = connection.execute(
                select(studies).where(studies.c.study_uid == study_uid)
            ).first()
            if row is None:
                raise NotFound(f"No study {study_uid} is on this node.")
            changes = events.corrected_state(row)
            if changes is None:
                raise NotReady("The images of this study cannot be corrected now.")
            events.set_values(connection, study_uid, **changes)
            tell(connection, SETTLE)
            connection.execute(delete(corrections).filter_by(**key))
            values = key | {"said": said, "user": user, "at": to_us(at)}
            connection.execute(insert(corrections).values(**values))
            note(
                connection,
                "image corrected",
                at_us=to_us(at),
                user=user,
                study_uid=study_uid,
                detail=f"{image_uid}: {said}",
            )


def _open_to_readers(connection: Connection, study_uid: str) -> Any:
    """What guards the reading of a study, of one that can be read at present."""
    row = connection.execute(select(*_GUARDED).where(studies.c.study_uid == study_uid)).first()
    if row is None:
        raise NotFound(f"No study {study_uid} is on this node.")
    if row.state in events.CLOSED:
        raise NotReady(events.CLOSED[row.state])
    if not row.template_revision:
        raise NotReady("This study has no template yet, so nothing can be entered.")
    return row
