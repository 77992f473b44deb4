"""Drafts: what a reader has entered, saved with every change."""

from datetime import datetime

from sqlalchemy import select

from dicom_service.errors import NotFound, NotReady, VersionConflict
from dicom_service.review.model import Reading
from dicom_service.store import events
from dicom_service.store.faults import reach
from dicom_service.store.opening import Shelf
from dicom_service.store.schema import studies
from dicom_service.store.times import to_us


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
        columns = (studies.c.state, studies.c.stale, studies.c.version, studies.c.template_revision)
        with self._index.write() as connection:
            row = connection.execute(
                select(*columns).where(studies.c.study_uid == study_uid)
            ).first()
            if row is None:
                raise NotFound(f"No study {study_uid} is on this node.")
            if row.state == "signed":
                raise NotReady("This report is signed. Write an addendum instead of changing it.")
            if not row.template_revision:
                raise NotReady("This study has no template yet, so nothing can be entered.")
            if row.version != expected:
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
        reach("save.committed")
        return expected + 1
