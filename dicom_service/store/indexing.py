"""The rows of received objects, and what their arrival does to their studies."""

from collections.abc import Sequence
from typing import Any, Literal, NamedTuple

from sqlalchemy import Connection, bindparam, insert, select, update

from dicom_service.store import audit, events
from dicom_service.store.index import SETTLE, tell
from dicom_service.store.model import InstanceHeader
from dicom_service.store.schema import instances, quarantine, studies
from dicom_service.store.times import now_us

Outcome = Literal["new", "duplicate", "different", "elsewhere"]
"""elsewhere: its study or its UID is another site's."""

# Made once: building a statement takes longer than running it.
KNOWN = (
    select(instances.c.digest, instances.c.missing, instances.c.blob, studies.c.site)
    .join(studies, studies.c.study_uid == instances.c.study_uid)
    .where(instances.c.sop_instance_uid == bindparam("uid"))
)
SITE = select(studies.c.site).where(studies.c.study_uid == bindparam("uid"))
_INSERT = insert(instances)
_AT_ONCE = 500


class Arrival(NamedTuple):
    """An object whose file has its name and whose row is to be written."""

    name: str
    header: InstanceHeader
    digest: str
    size: int
    source: str
    prior: bool
    at_us: int = 0
    """When it was acknowledged; 0: now."""
    site: str = ""
    """Which site was called."""


def index_objects(
    connection: Connection, arrivals: Sequence[Arrival]
) -> list[tuple[Outcome, bool]]:
    """Write what many arrivals change; what becomes of each, and whether its file is needed.

    Objects that are new, nearly all, take a few statements together.
    """
    uids = [arrival.header.sop_instance_uid for arrival in arrivals]
    taken: set[str] = set()
    for start in range(0, len(uids), _AT_ONCE):
        some = instances.c.sop_instance_uid.in_(uids[start : start + _AT_ONCE])
        query = select(instances.c.sop_instance_uid).where(some)
        taken |= set(connection.execute(query).scalars())
    fresh: dict[str, list[int]] = {}
    rest: list[int] = []
    results: list[tuple[Outcome, bool]] = [("new", True)] * len(arrivals)
    for number, arrival in enumerate(arrivals):
        if uids[number] in taken:
            rest.append(number)
        else:
            taken.add(uids[number])
            fresh.setdefault(arrival.header.study_uid, []).append(number)
    refused, received = _insert_studies(connection, arrivals, fresh)
    for number in rest:
        results[number] = index_object(connection, arrivals[number])
    if received:  # last: until it ends, no transaction of any receiver can write an event
        audit.note_many(connection, received)
    for number in refused:
        results[number] = "elsewhere", False
    for number, (outcome, needed) in enumerate(results):
        # What was acknowledged and is of nobody here is found at the next start, set aside.
        kept = needed or (outcome == "elsewhere" and arrivals[number].at_us > 0)
        results[number] = outcome, kept
    return results


def _insert_studies(
    connection: Connection, arrivals: Sequence[Arrival], fresh: dict[str, list[int]]
) -> tuple[list[int], list[dict[str, Any]]]:
    """Rows of new objects, by their studies; the numbers of those that are another site's, and
    the events that are to be noted."""
    refused: list[int] = []
    made: dict[str, dict[str, Any]] = {}
    changes: dict[str, dict[str, Any]] = {}
    received: list[dict[str, Any]] = []
    rows: list[dict[str, Any]] = []
    work = False
    known = events.as_they_are(connection, fresh)
    for study_uid, numbers in fresh.items():
        row = known.get(study_uid)
        site = arrivals[numbers[0]].site if row is None else row.site
        # A study may have been given to another site after an object of it was acknowledged,
        # which then goes with it.
        refused += [n for n in numbers if not arrivals[n].at_us and arrivals[n].site != site]
        group = [arrivals[n] for n in numbers if n not in refused]
        if not group:
            continue
        came = [(a.header, a.at_us or now_us(), a.prior) for a in group]
        changed, times = events.after_objects(row, came)
        work = work or events.is_work({} if row is None else dict(row._mapping), changed)
        if row is None:
            made[study_uid] = changed | {"site": site}
            received.append(_received(group[0], times[0], site))
        else:
            changes[study_uid] = changed
            if "patient_id" in changed:
                events.index_words(connection, study_uid, changed)
        rows += [_values(a, at_us) for a, at_us in zip(group, times, strict=True)]
    if made:
        events.begin(connection, made)
    events.set_many(connection, changes)
    if rows:
        connection.execute(_INSERT, rows)
    if work:
        tell(connection, SETTLE)
    return refused, received


def _values(arrival: Arrival, at_us: int) -> dict[str, Any]:
    return arrival.header.model_dump() | {
        "blob": arrival.name,
        "digest": arrival.digest,
        "size": arrival.size,
        "source": arrival.source,
        "received_at": at_us,
        "own": False,
        "missing": False,
    }


def insert_instance(
    connection: Connection,
    header: InstanceHeader,
    *,
    blob: str,
    digest: str,
    size: int,
    source: str,
    at_us: int,
    own: bool,
) -> None:
    """Write the row of an object."""
    values = header.model_dump() | {
        "blob": blob,
        "digest": digest,
        "size": size,
        "source": source,
        "received_at": at_us,
        "own": own,
    }
    connection.execute(_INSERT, values)


def index_object(connection: Connection, arrival: Arrival) -> tuple[Outcome, bool]:
    """Write what an arrival changes; returns the outcome, and whether its file is needed."""
    name, header, digest, _, source, prior, _, site = arrival
    known = connection.execute(KNOWN, {"uid": header.sop_instance_uid}).first()
    of_study = connection.execute(SITE, {"uid": header.study_uid}).scalar()
    if arrival.at_us and of_study is not None:  # acknowledged, as above
        arrival, site = arrival._replace(site=of_study), of_study
    if any(of not in (None, site) for of in (of_study, known and known.site)):
        return "elsewhere", False
    if known is None:
        _insert(connection, arrival, is_first=of_study is None)
        return "new", True
    if known.blob == name:  # done before, by a commit that was said to have failed
        return "new", True
    outcome: Outcome = "duplicate"  # the same object came on two associations at once
    kept = False
    if known.digest != digest:
        outcome, kept = "different", _quarantine(connection, name, header, digest, source)
    elif known.missing:
        _restore(connection, name, header.sop_instance_uid)
        outcome, kept = "new", True
    if not prior:
        events.routed_again(connection, header, now_us())
    return outcome, kept


def _insert(connection: Connection, arrival: Arrival, *, is_first: bool) -> None:
    header, at = arrival.header, arrival.at_us or now_us()
    at_us = events.arrived(connection, header, at, prior=arrival.prior, site=arrival.site)
    if is_first:
        audit.note_many(connection, [_received(arrival, at_us, arrival.site)])
    connection.execute(_INSERT, _values(arrival, at_us))


def _restore(connection: Connection, name: str, sop_instance_uid: str) -> None:
    connection.execute(
        update(instances)
        .where(instances.c.sop_instance_uid == sop_instance_uid)
        .values(blob=name, missing=False)
    )


def _quarantine(
    connection: Connection, name: str, header: InstanceHeader, digest: str, source: str
) -> bool:
    """Keep the second copy aside; False when just this copy is there already."""
    known = select(quarantine.c.id).where(
        quarantine.c.sop_instance_uid == header.sop_instance_uid, quarantine.c.digest == digest
    )
    if connection.execute(known).first():
        return False
    original = connection.execute(
        select(instances.c.study_uid).where(instances.c.sop_instance_uid == header.sop_instance_uid)
    ).scalar_one()
    at_us = now_us()
    connection.execute(
        insert(quarantine).values(
            sop_instance_uid=header.sop_instance_uid,
            study_uid=original,
            blob=name,
            digest=digest,
            source=source,
            received_at=at_us,
        )
    )
    detail = f"object {header.sop_instance_uid} came again from {source} with other content"
    audit.note(connection, "different bytes", at_us=at_us, study_uid=original, detail=detail)
    return True


def _received(arrival: Arrival, at_us: int, site: str) -> dict[str, Any]:
    """The event, once for a study: its objects follow each other."""
    return {
        "at": at_us,
        "event": "study received",
        "user": "",
        "study_uid": arrival.header.study_uid,
        "detail": f"{arrival.source}: {arrival.header.sop_class_uid}",
        "site": site,
    }
