"""The reading list, and the preparation of settled studies."""

import json
from collections.abc import Sequence
from datetime import datetime
from functools import lru_cache
from typing import Any, TypeVar

from sqlalchemy import Connection, Select, and_, func, or_, select

from dicom_service.errors import NotFound
from dicom_service.intake.model import StudyFacts
from dicom_service.review.model import Template
from dicom_service.store import audit, events
from dicom_service.store.deliveries import add_deliveries, deliveries
from dicom_service.store.faults import reach
from dicom_service.store.index import SEND, Unsure, retried, tell
from dicom_service.store.lines import line_of
from dicom_service.store.model import NewDocument, StudyRow
from dicom_service.store.opening import Shelf
from dicom_service.store.papers import insert_document, prepared_columns, signed_versions
from dicom_service.store.schema import studies, study_words
from dicom_service.store.sites import among, of
from dicom_service.store.times import from_us, now_us, seconds_us, to_us

LISTED = [
    c for c in studies.c if c.name not in ("facts", "template", "reading", "urgent", "lacking")
]
Row = TypeVar("Row", bound=StudyRow)

_OPEN = 16
"""Studies that are being read at the same time, whose template is not parsed with every save."""


class Studies(Shelf):
    """Studies as lines of the reading list."""

    def study(self, study_uid: str) -> StudyRow | None:
        """The line of one study, also of one that has no image to read."""
        query = select(*LISTED).where(studies.c.study_uid == study_uid)
        return next(iter(self._rows(query)), None)

    def studies(
        self,
        *,
        text: str = "",
        states: Sequence[str] = (),
        patient_id: str = "",
        sites: Sequence[str] | None = None,
        limit: int = 100,
        offset: int = 0,
    ) -> list[StudyRow]:
        """The reading list, newest arrival first.

        Parameters
        ----------
        text
            Every word of it must begin a word of the patient's name or ID, the accession
            number, the description or the species; or be the Study Instance UID.
        states
            Only these; empty: all but the studies without an image to read.
        sites
            Of these only; None: of all.
        """
        query = matching(select(*LISTED), text, states, patient_id)
        order = (studies.c.last_object_at.desc(), studies.c.study_uid)
        query = query.order_by(*order)
        if sites is None or len(sites) == 1:
            here = [] if sites is None else [of(sites[0])]
            return self._rows(query.where(*here).limit(limit).offset(offset))
        # Each site's are in the order of an index; those of several would have to be sorted.
        found = [
            row for one in sites for row in self._rows(query.where(of(one)).limit(offset + limit))
        ]
        found.sort(key=lambda row: row.study_uid)
        found.sort(key=lambda row: row.last_object_at, reverse=True)
        return found[offset : offset + limit]

    def count_studies(
        self,
        *,
        text: str = "",
        states: Sequence[str] = (),
        patient_id: str = "",
        sites: Sequence[str] | None = None,
    ) -> int:
        """How many studies `studies` would list without a limit."""
        query = select(func.count()).select_from(studies).where(*among(studies.c.site, sites))
        with self._index.read() as connection:
            counted = connection.execute(matching(query, text, states, patient_id))
            return int(counted.scalar_one())

    def due_studies(self, now: datetime, quiet: float) -> list[str]:
        """Studies that have had no new image for `quiet` seconds and need a template.

        A newest image from the future means that the clock was set back: it counts as old.
        """
        with self._index.read() as connection:
            return list(connection.execute(due_for_template(now, quiet)).scalars())

    def next_settling(self, now: datetime, quiet: float) -> datetime | None:
        """When the next study that is not due yet will be, if no more images come."""
        query = select(func.min(studies.c.last_object_at)).where(
            _unprepared(), studies.c.last_object_at > to_us(now) - seconds_us(quiet)
        )
        with self._index.read() as connection:
            oldest = connection.execute(query).scalar()
        return None if oldest is None else from_us(oldest + seconds_us(quiet))

    @retried
    def save_preparation(
        self,
        study_uid: str,
        seen_at: datetime,
        facts: StudyFacts,
        template: Template,
        document: NewDocument | None = None,
        *,
        destinations: Sequence[str] = (),
        priority: int = 0,
    ) -> bool:
        """Put a study on the reading list with its template.

        Parameters
        ----------
        seen_at
            `received_at` of the newest object that the template takes into account.
        document
            The template as a document, if it is kept as one.
        destinations
            Peers that get the document.
        priority
            How urgent the request says that it is: 0 routine, 1 urgent, 2 immediate.

        Returns
        -------
        bool
            False: another image has arrived since, or the study was signed meanwhile; nothing
            was changed.
        """
        blob = self._blobs.create(document.data) if document else ""
        reach("settle.document")
        wanted = lasting = False
        try:
            with self._index.write(study_uid) as connection:
                row = _required(connection, study_uid)
                state = events.prepared_state(row)
                if state is not None and row.last_object_at <= to_us(seen_at):
                    values = prepared_columns(facts, template)
                    events.set_values(connection, study_uid, state=state, **values)
                    events.index_words(connection, study_uid, values)
                    line_of(connection, study_uid, facts, priority)
                    if document:
                        insert_document(connection, study_uid, document, blob, at_us=now_us())
                        add_deliveries(connection, study_uid, [document], destinations)
                    tell(connection, SEND)
                    wanted = True
            lasting = wanted
        except Unsure:
            lasting = True
            raise
        finally:
            if blob and not lasting:
                self._blobs.remove(blob)
        reach("settle.committed")
        return wanted

    @retried
    def fail_preparation(self, study_uid: str, sentence: str) -> None:
        """No template could be made; `sentence` says why. A draft that exists is kept."""
        with self._index.write(study_uid) as connection:
            row = _required(connection, study_uid)
            if events.prepared_state(row) is None:
                return
            state = "reading" if row.version else "failed"
            events.set_values(connection, study_uid, state=state, stale=False, detail=sentence)
            audit.note(
                connection,
                "preparation failed",
                at_us=now_us(),
                study_uid=study_uid,
                detail=sentence,
            )

    def preparation(self, study_uid: str) -> tuple[StudyFacts, Template] | None:
        """Facts and template of a study; None while it has none."""
        query = select(studies.c.facts, studies.c.template).where(studies.c.study_uid == study_uid)
        with self._index.read() as connection:
            row = connection.execute(query).first()
        if row is None or not row.template:
            return None
        return _facts(row.facts), _template(row.template)

    def _rows(self, query: Select[Any]) -> list[StudyRow]:
        with self._index.read() as connection:
            return rows_of(connection, query)


def rows_of(
    connection: Connection,
    query: Select[Any],
    kind: type[Row] = StudyRow,  # type: ignore[assignment]
) -> list[Row]:
    """The studies that a query over `LISTED` finds, with what was signed and delivered of them.

    Parameters
    ----------
    kind
        Of row; what it has beside the columns of a study the query has, too.
    """
    found = connection.execute(query)
    fields = [name for name in found.keys() if name in kind.model_fields]  # noqa: SIM118 - a result
    rows = found.mappings().all()
    uids = [row["study_uid"] for row in rows]
    delivered = deliveries(connection, uids)
    signed = signed_versions(connection, uids)
    return [
        kind.model_validate(
            _fields(row, fields, *delivered.get(row["study_uid"], ("", "")))
            | signed.get(row["study_uid"], {})
        )
        for row in rows
    ]


@lru_cache(maxsize=_OPEN)
def _facts(written: str) -> StudyFacts:
    return StudyFacts.model_validate_json(written)


@lru_cache(maxsize=_OPEN)
def _template(written: str) -> Template:
    return Template.model_validate_json(written)


def due_for_template(now: datetime, quiet: float) -> Select[Any]:
    """The query of `Studies.due_studies`."""
    at, wait = to_us(now), seconds_us(quiet)
    return (
        select(studies.c.study_uid)
        .where(
            _unprepared(),
            or_(studies.c.last_object_at <= at - wait, studies.c.last_object_at > at + wait),
        )
        .order_by(studies.c.last_object_at)
    )


def _unprepared() -> Any:
    return or_(
        studies.c.state == "arriving",
        and_(studies.c.state == "reading", studies.c.stale.is_(True)),
    )


def _required(connection: Any, study_uid: str) -> Any:
    row = connection.execute(select(studies).where(studies.c.study_uid == study_uid)).first()
    if row is None:
        raise NotFound(f"No study {study_uid} is on this node.")
    return row


def matching(query: Select[Any], text: str, states: Sequence[str], patient_id: str) -> Select[Any]:
    """Narrow a query over studies; without states: all but those that nobody is to read."""
    if states:
        query = query.where(studies.c.state.in_(states))
    else:
        query = query.where(studies.c.state.not_in(("kept", "prior")))
    if patient_id:
        query = query.where(studies.c.patient_id == patient_id)
    for word in events.words(text):
        beginning = and_(study_words.c.word >= word, study_words.c.word < word + "\U0010ffff")
        query = query.where(
            studies.c.study_uid.in_(select(study_words.c.study_uid).where(beginning))
        )
    return query


def _fields(row: Any, names: Sequence[str], delivery: str, delivery_detail: str) -> dict[str, Any]:
    # What another table has nothing of is as the model says.
    return {name: row[name] for name in names if row[name] is not None} | {
        "regions": tuple(json.loads(row["regions"])),
        "last_object_at": from_us(row["last_object_at"]),
        "delivery": delivery,
        "delivery_detail": delivery_detail,
    }
