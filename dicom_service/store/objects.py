"""Receiving objects: an accepted object is on disk and in the index before `accept` returns."""

import hashlib
import struct
from pathlib import Path
from typing import Any, Literal, NamedTuple

from sqlalchemy import Connection, bindparam, insert, select, update

from dicom_service.errors import DifferentBytes
from dicom_service.store import audit, events
from dicom_service.store.blobs import full_disk_named
from dicom_service.store.faults import reach
from dicom_service.store.group import Group
from dicom_service.store.index import Unsure, retried, tell
from dicom_service.store.model import InstanceHeader, StoredInstance
from dicom_service.store.opening import Shelf
from dicom_service.store.schema import instances, quarantine, studies
from dicom_service.store.times import from_us, now_us

Outcome = Literal["new", "duplicate", "different"]

_CHUNK = 1 << 20
_PREAMBLE, _GROUP_LENGTH = 132, 12


# Made once: building a statement takes longer than running it.
_KNOWN = select(instances.c.digest, instances.c.missing).where(
    instances.c.sop_instance_uid == bindparam("uid")
)
_INSERT = insert(instances)


class _Arrival(NamedTuple):
    """An object whose file has its name and whose row is to be written."""

    name: str
    header: InstanceHeader
    digest: str
    size: int
    source: str
    prior: bool


class Objects(Shelf):
    """Objects as received, and the ones kept aside."""

    def __init__(self, folder: Path, *, exclusive: bool = True, index_url: str = "") -> None:
        super().__init__(folder, exclusive=exclusive, index_url=index_url)
        self._arrivals = Group(self._index_objects)

    def accept(
        self,
        temp: Path,
        header: InstanceHeader,
        *,
        source: str,
        prior: bool = False,
        digest: str | None = None,
    ) -> Literal["new", "duplicate"]:
        """Keep a received object for good.

        File, folder and index row are durable when this returns; only then may the object be
        acknowledged. On any error nothing is kept and `temp` is gone.

        Parameters
        ----------
        temp
            The finished file, in `incoming`.
        header
            What is in it.
        source
            Who sent it, for the record.
        prior
            Whether this node asked for it as an earlier study: then nobody is to read it.
        digest
            What `digest_of` would find, when it was made while the object came in.

        Raises
        ------
        DifferentBytes
            The UID is taken by an object with other content; this one is in quarantine.
        StorageFull
            There is no room.
        """
        try:
            with full_disk_named(self.folder):
                # Earlier studies can be fetched again, so they make way first.
                self.check_room(2 if prior else 1)
                if digest is None:
                    digest, size = digest_of(temp)
                else:
                    size = temp.stat().st_size
            known = self._known(header.sop_instance_uid)
            if known is not None and not known.missing and known.digest == digest:
                self._came_again(header, prior)
                return "duplicate"
            name = self._blobs.place(temp)
        finally:
            temp.unlink(missing_ok=True)
        reach("accept.renamed")
        outcome = self._arrivals.commit(_Arrival(name, header, digest, size, source, prior))
        reach("accept.committed")
        if outcome == "different":
            raise DifferentBytes(
                f"An object with this UID but other content is here already "
                f"({header.sop_instance_uid}); the copy from {source} was kept aside."
            )
        return outcome

    def _known(self, sop_instance_uid: str) -> Any:
        with self._index.read() as connection:
            return connection.execute(_KNOWN, {"uid": sop_instance_uid}).first()

    @retried
    def _came_again(self, header: InstanceHeader, prior: bool) -> None:
        if not prior and header.makes_work:
            with self._index.write(header.study_uid) as connection:
                events.routed_again(connection, header, now_us())

    def _index_objects(self, arrivals: list[_Arrival]) -> list[Outcome]:
        """Rows of several objects, and the work they make, in one transaction.

        The names of their files are durable before; files that no row needs go, all of them
        when the transaction fails.
        """
        used: set[str] = set()
        done = False
        try:
            self._blobs.settle(arrival.name for arrival in arrivals)
            results = self._write_rows(arrivals)
            used = {a.name for a, (_, kept) in zip(arrivals, results, strict=True) if kept}
            done = True
        except Unsure:  # the rows may be there, and then their files must be
            used = {arrival.name for arrival in arrivals}
            raise
        finally:
            if done or len(arrivals) == 1:  # else each is tried again by itself
                for arrival in arrivals:
                    if arrival.name not in used:
                        self._blobs.remove(arrival.name)
        return [outcome for outcome, _ in results]

    @retried
    def _write_rows(self, arrivals: list[_Arrival]) -> list[tuple[Outcome, bool]]:
        about = {uid for a in arrivals for uid in (a.header.study_uid, a.header.sop_instance_uid)}
        with self._index.write(*about) as connection:
            results = [_index_object(connection, arrival) for arrival in arrivals]
            tell(connection)
        return results

    def instances(
        self,
        study_uid: str,
        series_uid: str | None = None,
        sop_instance_uid: str | None = None,
    ) -> list[StoredInstance]:
        """The stored objects of a study, own documents included, in order of their numbers."""
        query = select(instances).where(
            instances.c.study_uid == study_uid, instances.c.missing.is_(False)
        )
        if series_uid is not None:
            query = query.where(instances.c.series_uid == series_uid)
        if sop_instance_uid is not None:
            query = query.where(instances.c.sop_instance_uid == sop_instance_uid)
        query = query.order_by(
            instances.c.series_number,
            instances.c.series_uid,
            instances.c.instance_number,
            instances.c.sop_instance_uid,
        )
        with self._index.read() as connection:
            return [self._stored(row) for row in connection.execute(query).mappings()]

    def _stored(self, row: Any) -> StoredInstance:
        fields = {name: row[name] for name in InstanceHeader.model_fields}
        return StoredInstance(
            **fields,
            path=self._blobs.path(row["blob"]),
            size=row["size"],
            source=row["source"],
            received_at=from_us(row["received_at"]),
            own=row["own"],
        )


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


def digest_of(file: Path) -> tuple[str, int]:
    """SHA-256 of the data set of a DICOM file, and the size of the whole file.

    The preamble and the file meta information are left out: the receiver writes them, so a new
    version of it must not make a known object look changed. The transfer syntax they name shows
    in the bytes of the data set.
    """
    digest = hashlib.sha256()
    with file.open("rb") as stream:
        stream.seek(dataset_offset(stream.read(_PREAMBLE + _GROUP_LENGTH)))
        while chunk := stream.read(_CHUNK):
            digest.update(chunk)
        return digest.hexdigest(), stream.tell()


def dataset_offset(start: bytes) -> int:
    """Where the data set begins in a DICOM file that starts with `start`; 0 when unknown."""
    group_length = start[_PREAMBLE : _PREAMBLE + 8]
    if len(start) < _PREAMBLE + _GROUP_LENGTH:
        return 0
    if start[128:132] != b"DICM" or group_length != b"\x02\x00\x00\x00UL\x04\x00":
        return 0
    (length,) = struct.unpack_from("<L", start, _PREAMBLE + 8)
    return _PREAMBLE + _GROUP_LENGTH + int(length)


def _index_object(connection: Connection, arrival: _Arrival) -> tuple[Outcome, bool]:
    """Write what an arrival changes; returns the outcome, and whether its file is needed."""
    name, header, digest, _, source, prior = arrival
    known = connection.execute(_KNOWN, {"uid": header.sop_instance_uid}).first()
    if known is None:
        _insert(connection, arrival)
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


def _insert(connection: Connection, arrival: _Arrival) -> None:
    header = arrival.header
    is_first = not _study_known(connection, header.study_uid)
    at_us = events.arrived(connection, header, now_us(), prior=arrival.prior)
    if is_first:  # once for a study: its objects follow each other
        _note_received(connection, header, arrival.source, at_us)
    insert_instance(
        connection,
        header,
        blob=arrival.name,
        digest=arrival.digest,
        size=arrival.size,
        source=arrival.source,
        at_us=at_us,
        own=False,
    )


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


def _study_known(connection: Connection, study_uid: str) -> bool:
    query = select(studies.c.study_uid).where(studies.c.study_uid == study_uid)
    return connection.execute(query).first() is not None


def _note_received(connection: Connection, header: InstanceHeader, source: str, at_us: int) -> None:
    uid, detail = header.study_uid, f"{source}: {header.sop_class_uid}"
    audit.note(connection, "study received", at_us=at_us, study_uid=uid, detail=detail)
