"""Receiving objects: an accepted object is on disk and in the index before `accept` returns."""

import contextlib
import uuid
from collections.abc import Sequence
from contextlib import AbstractContextManager
from pathlib import Path
from typing import Any, Literal, NoReturn

from sqlalchemy import Select, select

from dicom_service.errors import DifferentBytes, OtherSite, SesamoidError, SetupError
from dicom_service.store import audit, events
from dicom_service.store.backlog import Backlog
from dicom_service.store.blobs import Blob, full_disk_named
from dicom_service.store.digests import digest_of, same_kind
from dicom_service.store.elsewhere import Elsewhere
from dicom_service.store.faults import reach
from dicom_service.store.group import Group
from dicom_service.store.index import Unsure, retried
from dicom_service.store.indexing import KNOWN, Arrival, Outcome, index_objects
from dicom_service.store.journal import SEGMENT, SEGMENTS
from dicom_service.store.model import InstanceHeader, StoredInstance
from dicom_service.store.replay import replay
from dicom_service.store.schema import instances
from dicom_service.store.sites import Sites
from dicom_service.store.sqlite import SqliteIndex
from dicom_service.store.times import from_us, now_us

_LOOK_UP = (
    "SELECT digest, missing, site FROM instances JOIN studies USING (study_uid) "
    "WHERE sop_instance_uid = ?"
)

_MOST_NOTED = 1000


class Objects(Sites):
    """Objects as received, and the ones kept aside."""

    _backlog: Backlog | None = None

    def __init__(
        self,
        folder: Path,
        *,
        exclusive: bool = True,
        index_url: str = "",
        elsewhere: Elsewhere | None = None,
    ) -> None:
        super().__init__(folder, exclusive=exclusive, index_url=index_url, elsewhere=elsewhere)
        self._arrivals = Group(self._index_objects, final=(Unsure,))
        self._noted: set[tuple[str, str]] = set()
        self.several_sites = False
        """Whether objects come for several sites."""
        self.replayed = 0
        """Objects that only the journal of the last run had."""
        try:
            if exclusive and isinstance(self._index, SqliteIndex):
                self.replayed = replay(self._index, self._blobs, self.journal)
        except SetupError:
            self.close()
            raise
        except SesamoidError as error:
            self.close()
            raise SetupError(f"What came in last cannot be worked off. {error}") from error

    def use_journal(
        self,
        below: int,
        *,
        every: float = 0.2,
        sizes: tuple[int, int] = (SEGMENT, SEGMENTS),
    ) -> None:
        """Take small objects into a journal from now on; see `Backlog`.

        Not with an index that other nodes share: they would not see what waits in it. Not with a
        bucket either, which is to confirm each object.

        Parameters
        ----------
        below
            Objects of fewer bytes are small; 0: none are.
        """
        index = self._index
        if self.in_bucket or self._backlog is not None:
            return
        if below and isinstance(index, SqliteIndex):
            self._backlog = Backlog(
                index, self._blobs, self.journal, below=below, every=every, sizes=sizes
            )

    @property
    def small(self) -> int:
        """Objects of fewer bytes need not be in a file when they are accepted."""
        return self._backlog.below if self._backlog else 0

    @property
    def trouble(self) -> str:
        """Why acknowledged objects cannot be put into the index at the moment; "": they can."""
        return self._backlog.trouble if self._backlog else ""

    @property
    def waiting_bytes(self) -> int:
        """Bytes of acknowledged objects that only the journal holds."""
        return self._backlog.waiting_bytes if self._backlog else 0

    def close(self) -> None:
        """Work off the journal, then close; see the base class."""
        backlog, self._backlog = self._backlog, None
        if backlog is not None:
            backlog.close()
        super().close()

    def accept(
        self,
        temp: Path,
        header: InstanceHeader,
        *,
        source: str,
        prior: bool = False,
        digest: str | None = None,
        site: str = "",
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
        site
            Which site it was sent to.

        Raises
        ------
        OtherSite
            Its study or its UID is another site's; nothing is kept.
        DifferentBytes
            The UID is taken by an object with other content; this one is in quarantine.
        StorageFull
            There is no room.
        """
        try:
            with full_disk_named(self.folder):
                self._check_room(prior)
                if digest is None:
                    digest, size = digest_of(temp)
                else:
                    size = temp.stat().st_size
            with self._held(header.sop_instance_uid):
                return self._accept(temp, Arrival("", header, digest, size, source, prior, 0, site))
        finally:
            temp.unlink(missing_ok=True)

    def accept_bytes(
        self,
        data: bytes | bytearray,
        header: InstanceHeader,
        *,
        source: str,
        prior: bool = False,
        digest: str,
        site: str = "",
    ) -> Literal["new", "duplicate"]:
        """Keep a received object of fewer than `small` bytes for good; see `accept`."""
        with full_disk_named(self.folder):
            self._check_room(prior)
        backlog = self._backlog
        if backlog is not None and len(data) < backlog.below:
            name, at_us = self._blobs.new_name(), now_us()
            arrival = Arrival(name, header, digest, len(data), source, prior, at_us, site)
            if backlog.take(arrival, data, lambda: self._may_wait(header, site)):
                reach("accept.journaled")
                return "new"
        temp = self.incoming / f"{uuid.uuid4().hex}.dcm"
        try:
            with full_disk_named(self.folder):
                temp.write_bytes(data)
            with self._held(header.sop_instance_uid):
                arrival = Arrival("", header, digest, len(data), source, prior, 0, site)
                return self._accept(temp, arrival)
        finally:
            temp.unlink(missing_ok=True)

    def _accept(self, temp: Path, arrival: Arrival) -> Literal["new", "duplicate"]:
        header = arrival.header
        known = self._known(header.sop_instance_uid)
        if known is not None and not same_kind(known[0], arrival.digest):
            arrival = arrival._replace(digest=digest_of(temp, like=known[0])[0])
        if known == (arrival.digest, False, arrival.site):
            self._came_again(header, arrival.prior)
            return "duplicate"
        arrival = arrival._replace(name=self._blobs.place(temp))
        reach("accept.renamed")
        outcome = self._arrivals.commit(arrival)
        reach("accept.committed")
        if outcome == "elsewhere":
            self._note_elsewhere(arrival)
            raise OtherSite("This object cannot be kept for this site.")
        if outcome == "different":
            _refuse(header, arrival.source)
        return outcome

    def _may_wait(self, header: InstanceHeader, site: str) -> bool:
        """Whether an object may be acknowledged before it is in the index: it is new, and where
        there are sites its study is known to be of the right one."""
        if self._known(header.sop_instance_uid) is not None:
            return False
        return not self.several_sites or self.site_of(header.study_uid) == site

    @retried
    def _note_elsewhere(self, arrival: Arrival) -> None:
        """One event for a study, at the site that was called: it names nothing of the other."""
        study, site = arrival.header.study_uid, arrival.site
        if (study, site) in self._noted:
            return
        self._noted.add((study, site))
        if len(self._noted) > _MOST_NOTED:
            self._noted.clear()
        detail = f"{arrival.source}: study {study} cannot be kept"
        with self._index.write() as connection:
            audit.note(connection, "object refused", at_us=now_us(), detail=detail, site=site)

    def _held(self, sop_instance_uid: str) -> AbstractContextManager[None]:
        if self._backlog is None:
            return contextlib.nullcontext()
        return self._backlog.held(sop_instance_uid)

    def _check_room(self, prior: bool) -> None:
        # Earlier studies can be fetched again, so they make way first. What waits in the journal
        # will need its room a second time.
        self.check_room(2 if prior else 1, self.waiting_bytes)

    def _known(self, sop_instance_uid: str) -> tuple[str, bool, str] | None:
        """Digest of the object with this UID, whether its file is gone, and its site."""
        if isinstance(self._index, SqliteIndex):
            found = self._index.look_up(_LOOK_UP, (sop_instance_uid,))
            return None if found is None else (str(found[0]), bool(found[1]), str(found[2]))
        with self._index.glance() as connection:
            row = connection.execute(KNOWN, {"uid": sop_instance_uid}).first()
        return None if row is None else (row.digest, row.missing, row.site)

    @retried
    def _came_again(self, header: InstanceHeader, prior: bool) -> None:
        if not prior and header.makes_work:
            with self._index.write(header.study_uid) as connection:
                events.routed_again(connection, header, now_us())

    def _index_objects(self, arrivals: list[Arrival]) -> list[Outcome]:
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
    def _write_rows(self, arrivals: list[Arrival]) -> list[tuple[Outcome, bool]]:
        about = {uid for a in arrivals for uid in (a.header.study_uid, a.header.sop_instance_uid)}
        with self._index.write(*about) as connection:
            return index_objects(connection, arrivals)

    def instances(
        self,
        study_uid: str,
        series_uid: str | None = None,
        sop_instance_uid: str | None = None,
    ) -> list[StoredInstance]:
        """The stored objects of a study, own documents included, in order of their numbers."""
        query = _whole(select(instances).where(instances.c.study_uid == study_uid))
        if series_uid is not None:
            query = query.where(instances.c.series_uid == series_uid)
        if sop_instance_uid is not None:
            query = query.where(instances.c.sop_instance_uid == sop_instance_uid)
        with self._index.read() as connection:
            return [self._stored(row) for row in connection.execute(query).mappings()]

    def instances_of(self, study_uids: Sequence[str]) -> dict[str, list[StoredInstance]]:
        """What `instances` gives for each of these studies, found at once."""
        query = _whole(select(instances).where(instances.c.study_uid.in_(study_uids)))
        found: dict[str, list[StoredInstance]] = {uid: [] for uid in study_uids}
        with self._index.read() as connection:
            for row in connection.execute(query).mappings():
                found[row["study_uid"]].append(self._stored(row))
        return found

    def _stored(self, row: Any) -> StoredInstance:
        fields = {name: row[name] for name in InstanceHeader.model_fields}
        return StoredInstance(
            **fields,
            blob=Blob(self._blobs, row["blob"]),
            size=row["size"],
            source=row["source"],
            received_at=from_us(row["received_at"]),
            own=row["own"],
        )


def _whole(query: Select[Any]) -> Select[Any]:
    """Only objects whose files are there, in order of their numbers."""
    return query.where(instances.c.missing.is_(False)).order_by(
        instances.c.series_number,
        instances.c.series_uid,
        instances.c.instance_number,
        instances.c.sop_instance_uid,
    )


def _refuse(header: InstanceHeader, source: str) -> NoReturn:
    raise DifferentBytes(
        f"An object with this UID but other content is here already "
        f"({header.sop_instance_uid}); the copy from {source} was kept aside."
    )
