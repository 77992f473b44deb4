"""At a start: what a journal holds is placed and indexed, and the journal removed."""

import os
from pathlib import Path

from sqlalchemy import Connection, select

from dicom_service.store.backlog import from_json, note_done, numbers_done
from dicom_service.store.blobs import Blobs
from dicom_service.store.index import Index
from dicom_service.store.indexing import index_objects
from dicom_service.store.records import Found, files_in, records_in, write_records
from dicom_service.store.schema import instances, quarantine
from dicom_service.store.sqlite import SqliteIndex
from dicom_service.store.syncing import sync_folder

_AT_ONCE = 200


def replay(index: SqliteIndex, blobs: Blobs, folder: Path) -> int:
    """Work off the journal in `folder`, which nobody has open; returns how many objects it had.

    Done again, it changes nothing: numbers that the index knows are only looked after.

    Raises
    ------
    SesamoidError
        It cannot be done now; the journal stays as it is.
    """
    files = files_in(folder)
    if not files:
        return 0
    indexed, settled = numbers_done(index)
    # A backup that was broken off has some twice.
    found = {r.number: r for file in files for r in records_in(file) if r.number > settled}
    open_ones = [record for _, record in sorted(found.items())]
    blobs.sync(_written_again(index, blobs, [r for r in open_ones if r.number <= indexed]))
    waiting = [record for record in open_ones if record.number > indexed]
    for start in range(0, len(waiting), _AT_ONCE):
        _work_off(index, blobs, waiting[start : start + _AT_ONCE], settled)
    done = max([indexed, *(record.number for record in open_ones)])
    with index.write() as connection:
        note_done(connection, done, done)
    for file in files:
        file.unlink()
    sync_folder(folder)
    return len(waiting)


def _work_off(index: SqliteIndex, blobs: Blobs, batch: list[Found], settled: int) -> None:
    arrivals = [from_json(record.known) for record in batch]
    for arrival, record in zip(arrivals, batch, strict=True):
        blobs.write(arrival.name, record.data)
    blobs.sync([arrival.name for arrival in arrivals])
    with index.write() as connection:
        results = index_objects(connection, arrivals)
        note_done(connection, batch[-1].number, settled)
    for arrival, (_, needed) in zip(arrivals, results, strict=True):
        if not needed:
            blobs.remove(arrival.name)


def _written_again(index: SqliteIndex, blobs: Blobs, records: list[Found]) -> list[str]:
    """Write again what has a row and may not have reached the disk; returns the names.

    Also what looks whole: that may be the system's memory of it.
    """
    with index.read() as connection:
        named = [(from_json(record.known).name, record.data) for record in records]
        wanted = [(name, data) for name, data in named if _named(connection, name)]
    for name, data in wanted:
        blobs.write(name, data)
    return [name for name, _ in wanted]


def _named(connection: Connection, name: str) -> bool:
    """Whether a row needs the file: its object may have been dropped since."""
    stored = select(instances.c.blob).where(
        instances.c.blob == name, instances.c.missing.is_(False)
    )
    aside = select(quarantine.c.blob).where(quarantine.c.blob == name)
    return any(connection.execute(query).first() for query in (stored, aside))


def copy_waiting(index: Index, folder: Path, to: Path) -> int:
    """Copy what only the journal holds into the journal of a backup; returns how many objects.

    Call it before the index is copied: what is worked off in between is in that copy. What the
    backup before has there stays: until its index is replaced it is needed.
    """
    if not isinstance(index, SqliteIndex):
        return 0
    indexed, _ = numbers_done(index)
    found: list[Found] = []
    for file in files_in(folder):
        try:
            found += [record for record in records_in(file) if record.number > indexed]
        except FileNotFoundError:  # the node has stopped, so everything in it is in the index
            continue
    if found:
        to.mkdir(exist_ok=True)
        write_records(to / f"{os.urandom(8).hex()}.segment", found)
        sync_folder(to.parent)
    return len(found)
