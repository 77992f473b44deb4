"""Objects that are safe in the journal and not yet in the index: worked off in the background.

| object is | that is                                         | after a crash       |
|-----------|-------------------------------------------------|---------------------|
| written   | in the journal, perhaps                         | kept if it is whole |
| synced    | acknowledged                                    | placed and indexed  |
| placed    | in a file of its own, not synced                | placed again        |
| indexed   | in the index, which says up to which number     | its file made whole |
| settled   | in a synced file; its place may be written over | nothing to do       |

Whoever reads or writes the index first works off what is waiting (`SqliteIndex.catch_up`), so
nobody sees the difference. A UID is held from the moment its object is taken until it is in the
index: a second object with it waits, and then meets the first as any other.
"""

import contextlib
import json
import logging
import threading
import time
from collections import deque
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any, NamedTuple

from sqlalchemy import select
from sqlalchemy.dialects.sqlite import insert

from dicom_service.errors import SesamoidError, TryLater
from dicom_service.store.blobs import Blobs
from dicom_service.store.faults import reach
from dicom_service.store.indexing import Arrival, index_objects
from dicom_service.store.journal import Journal, Place, Segment
from dicom_service.store.model import InstanceHeader
from dicom_service.store.schema import journal_state
from dicom_service.store.sqlite import SqliteIndex

log = logging.getLogger(__name__)
_AT_ONCE = 500
_PATIENCE = 30.0
_READERS_PATIENCE = 5.0
_AFTER_TROUBLE = 1.0


class _Waiting(NamedTuple):
    place: Place
    arrival: Arrival


class Backlog:
    """What is between the journal and the index.

    Parameters
    ----------
    folder
        Of the journal.
    below
        Objects of fewer bytes are taken.
    every
        Seconds between two rounds of the thread that works it off; 0: without a thread.
    sizes
        Of the journal's segments: length of each, and how many at most.
    """

    def __init__(
        self,
        index: SqliteIndex,
        blobs: Blobs,
        folder: Path,
        *,
        below: int,
        every: float,
        sizes: tuple[int, int],
    ) -> None:
        self.below = below
        self.trouble = ""
        """Why the last round failed."""
        self._index, self._blobs = index, blobs
        self._done = numbers_done(index)
        size, most = sizes
        self._journal = Journal(
            folder, self._make_room, first=max(self._done), size=size, most=most
        )
        self._waiting: deque[_Waiting] = deque()
        self._bytes_in = self._bytes_out = 0
        self._held: set[str] = set()
        self._released = threading.Condition()
        self._working = threading.Lock()
        self._settling = threading.Lock()
        self._again_at = 0.0
        self._every = every
        self._stopping = threading.Event()
        self._news = threading.Event()
        self._thread = threading.Thread(target=self._run, name="journal", daemon=True)
        index.catch_up = self.catch_up
        if every:
            self._thread.start()

    @property
    def waiting_bytes(self) -> int:
        """Of objects that are still to get files of their own."""
        return self._bytes_in - self._bytes_out

    @contextmanager
    def held(self, sop_instance_uid: str) -> Iterator[None]:
        """Nobody else takes an object with this UID, and none is on its way to the index.

        Raises
        ------
        TryLater
            Another one does not come to its end.
        """
        self._hold(sop_instance_uid)
        try:
            yield
        finally:
            self._release([sop_instance_uid])

    def take(self, arrival: Arrival, data: bytes | bytearray, is_new: Callable[[], bool]) -> bool:
        """Keep an object; it is durable when this returns True.

        Parameters
        ----------
        is_new
            Whether the index does not know its UID; asked while nobody else takes one with it.

        Returns
        -------
        bool
            False: it is not new, or does not fit into the journal; nothing was done.
        """
        uid = arrival.header.sop_instance_uid
        # Not in escapes: what the index could not write must fail here, before it is acknowledged.
        known = json.dumps(_as_json(arrival), ensure_ascii=False).encode()
        if not self._journal.fits(known, len(data)):
            return False

        def noted(place: Place) -> None:
            self._waiting.append(_Waiting(place, arrival))
            self._bytes_in += place.length

        self._hold(uid)
        taken = False
        try:
            if is_new():
                self._journal.append(known, data, noted)
                taken = True
        finally:
            if not taken:
                self._release([uid])
        if taken and not self._news.is_set():
            self._news.set()
        return taken

    def catch_up(self) -> None:
        """Let the index hold what was acknowledged before this was called.

        When the disk is in trouble it may not, for a while; the journal holds it then.
        """
        if not self._waiting or time.monotonic() < self._again_at:
            return
        if not self._working.acquire(timeout=_READERS_PATIENCE):
            return
        try:
            self._work_off()
        except SesamoidError as error:
            log.warning("objects in the journal wait: %s", error)
        finally:
            self._working.release()

    def close(self) -> None:
        """Work everything off; what cannot be stays in the journal for the next start."""
        self._stopping.set()
        self._news.set()
        if self._every:
            self._thread.join()
        self._journal.shut()
        self._index.catch_up = None
        empty = False
        try:
            with self._working:
                self._work_off()
            self._settle()
            with self._index.write() as connection:
                note_done(connection, *self._done)
            empty = True
        except SesamoidError as error:
            log.warning("objects stay in the journal until the next start: %s", error)
        self._journal.close(empty=empty)

    def _run(self) -> None:
        while not self._stopping.is_set():
            self._news.wait()
            if self._stopping.wait(self._every):
                return
            self._news.clear()
            try:
                self.catch_up()
                self._settle()
            except SesamoidError as error:
                log.warning("the journal cannot be emptied: %s", error)
            except Exception:
                log.exception("the journal cannot be emptied")
            if self._waiting:
                self._news.set()

    def _hold(self, uid: str) -> None:
        deadline = time.monotonic() + _PATIENCE
        while True:
            with self._released:
                if uid not in self._held:
                    self._held.add(uid)
                    return
            self.catch_up()
            with self._released:
                if uid in self._held:
                    self._released.wait(0.05)
            if time.monotonic() > deadline:
                raise TryLater(f"Another object with the UID {uid} is still being stored.")

    def _release(self, uids: list[str]) -> None:
        with self._released:
            self._held.difference_update(uids)
            self._released.notify_all()

    def _make_room(self) -> None:
        """The journal is full: empty it now, in the thread that needs room."""
        with self._working:
            self._work_off()
        self._settle()

    def _work_off(self) -> None:
        """Place and index what is waiting now, in large batches."""
        left = len(self._waiting)
        while left:
            batch = [self._waiting[number] for number in range(min(left, _AT_ONCE))]
            left -= len(batch)
            try:
                self._index_or_set_aside(batch)
            except (SesamoidError, OSError, MemoryError) as error:
                self.trouble = str(error) or type(error).__name__
                self._again_at = time.monotonic() + _AFTER_TROUBLE
                if isinstance(error, SesamoidError):
                    raise
                raise TryLater(f"What came in waits in the journal: {self.trouble}.") from error
            self.trouble, self._again_at = "", 0.0

    def _index_or_set_aside(self, batch: list[_Waiting]) -> None:
        """One object that the index cannot take must not hold up the others for ever."""
        try:
            unneeded = self._index_batch(batch)
        except (SesamoidError, OSError, MemoryError):
            raise
        except Exception:
            if len(batch) > 1:
                for one in batch:
                    self._index_or_set_aside([one])
                return
            name, header = batch[0].arrival.name, batch[0].arrival.header
            log.exception(
                "object %s cannot be indexed; its file is set aside as %s",
                header.sop_instance_uid,
                name,
            )
            self._blobs.set_aside(name, self._blobs.folder.parent / "set-aside")
            unneeded = []
        self._finished(batch)
        reach("journal.indexed")
        for name in unneeded:
            with contextlib.suppress(OSError):  # the sweep at the next start finds it
                self._blobs.remove(name)

    def _finished(self, batch: list[_Waiting]) -> None:
        for place, arrival in batch:
            self._waiting.popleft()
            place.segment.made.append((arrival.name, place))
            self._bytes_out += place.length
            place.segment.indexed += 1
        self._release([arrival.header.sop_instance_uid for _, arrival in batch])

    def _index_batch(self, batch: list[_Waiting]) -> list[str]:
        """Place and index; returns names of files that no row needs."""
        for place, arrival in batch:
            self._blobs.write(arrival.name, place.read())
        reach("journal.placed")
        done = batch[-1].place.number, self._done[1]
        with self._index.write(catch_up=False) as connection:
            results = index_objects(connection, [arrival for _, arrival in batch])
            note_done(connection, *done)
        self._done = done[0], self._done[1]
        names = [arrival.name for _, arrival in batch]
        return [name for name, (_, needed) in zip(names, results, strict=True) if not needed]

    def _settle(self) -> None:
        """Sync the files that were made from full segments, and free these."""
        with self._settling:
            for segment in self._journal.sealed():
                if segment.waiting:
                    return
                self._settle_one(segment)

    def _settle_one(self, segment: Segment) -> None:
        if segment.doubted:
            # The system forgets what it could not write once it has said so, and would call the
            # next sync a success: the bytes must be given to it again.
            for name, place in segment.made:
                self._blobs.write_again(name, place.read())
        try:
            self._blobs.sync([name for name, _ in segment.made])
        except BaseException:
            segment.doubted = True
            raise
        segment.doubted = False
        segment.made.clear()
        self._done = self._done[0], max(self._done[1], segment.last)
        reach("journal.settled")
        self._journal.free(segment)
        reach("journal.freed")


def numbers_done(index: SqliteIndex) -> tuple[int, int]:
    """Up to which number the records of the journal are indexed, and settled."""
    with index.read() as connection:
        row = connection.execute(select(journal_state)).first()
    return (row.indexed, row.settled) if row else (0, 0)


def note_done(connection: Any, indexed: int, settled: int) -> None:
    """Write down how far the journal is done, in the transaction of the rows."""
    values = {"indexed": indexed, "settled": settled}
    made = insert(journal_state).values(id=1, **values)
    connection.execute(made.on_conflict_do_update(index_elements=["id"], set_=values))


def _as_json(arrival: Arrival) -> dict[str, Any]:
    return arrival._asdict() | {"header": arrival.header.model_dump()}


def from_json(known: bytes) -> Arrival:
    """An arrival as a record keeps it."""
    values = json.loads(known)
    return Arrival(**values | {"header": InstanceHeader(**values["header"])})
