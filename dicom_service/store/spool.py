"""Blobs in a bucket, with a spool for the time when it is away.

| a blob is  | that is                                    | after a crash                    |
|------------|--------------------------------------------|----------------------------------|
| placed     | durable in the spool, which is `blobs`     | set aside: no row names it       |
| confirmed  | in the bucket, which was looked at         | put again, which finds it there  |
| indexed    | named by a row; only now acknowledged      | nothing to do                    |
| owed       | indexed while the bucket was away          | drained                          |
| drained    | in the bucket and the cache, not the spool | fetched when it is read          |
| removed    | named in `removals`                        | removed from the bucket          |

The spool is what is certain: a file leaves it only a while after the bucket confirmed it. When
the bucket does not answer nobody waits for it a second time: for some seconds everything goes to
the spool, then it is tried again.
"""

import contextlib
import errno
import logging
import os
import threading
import time
import uuid
from collections.abc import Callable, Iterable, Sequence
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

from dicom_service.errors import SesamoidError, StorageFull, StoreAway
from dicom_service.store.blobs import Blobs, full_disk_named
from dicom_service.store.bucket import Bucket, WrongBytes
from dicom_service.store.cache import Cache
from dicom_service.store.elsewhere import Spooling
from dicom_service.store.faults import reach
from dicom_service.store.syncing import sync_file, sync_folder

log = logging.getLogger(__name__)
_AT_ONCE = 4
"""Objects on their way to the bucket."""
_AGAIN_FIRST, _AGAIN_LONGEST = 2.0, 60.0
"""Seconds for which a bucket that did not answer is not asked."""
_STAY_SECONDS = 60.0
"""A confirmed file stays in the spool for those who have just been told that it is there."""
_LOOK_SECONDS = 600.0
"""How often the spool is looked through for files that nobody told us of."""
_TRIM_SECONDS = 60.0
_LEFT_ALONE_SECONDS = 120.0


class SpooledBlobs(Blobs):
    """Files under one folder, until the bucket has them."""

    def __init__(self, folder: Path, incoming: Path, bucket: Bucket, spooling: Spooling) -> None:
        super().__init__(folder, incoming)
        self.bucket = bucket
        self._check: Callable[[], None] | None = None
        self._spooling = spooling
        self._cache = Cache(folder.parent / "cache", spooling.cache)
        self._removals = folder.parent / "removals"
        self._removals.mkdir(exist_ok=True)
        self._owed: dict[str, int] = {}
        self._confirmed: dict[str, float] = {}
        self._changing = threading.Lock()
        self._draining = threading.Lock()
        self._again_at = self._looked_at = self._trimmed_at = 0.0
        self._pause = _AGAIN_FIRST
        self._stopping = threading.Event()
        self._news = threading.Event()
        self._senders = ThreadPoolExecutor(_AT_ONCE, thread_name_prefix="to-bucket")
        self._thread = threading.Thread(target=self._run, name="drain", daemon=True)

    def start(self) -> None:
        """Have a thread of this process move what is owed; one process of a folder should."""
        self._look_through(but_fresh=False)
        self._thread.start()

    def wait_for(self, why: StoreAway, check: Callable[[], None]) -> None:
        """The bucket is not there yet; `check` makes sure that it is the right one once it is."""
        self._check = check
        self._note_away(why)

    @property
    def owed(self) -> tuple[int, int]:
        """How many objects, and bytes, only the spool has."""
        with self._changing:
            return len(self._owed), sum(self._owed.values())

    def check_room(self, times: int = 1) -> None:
        """Refuse what the spool could not hold; readings and reports are not asked.

        Raises
        ------
        StorageFull
            The bucket is away, and `times` as much as waits here would be too much.
        """
        if self._exceeds(times):
            self.refused += 1
            number, size = self.owed
            raise StorageFull(
                f"{self.trouble} {number} objects ({size >> 20} MB) wait for it here, and more "
                f"may not (spool_mb in [bucket] is {self._spooling.most >> 20})."
            )

    @property
    def full(self) -> bool:
        """Whether no object is taken until the bucket is back."""
        return self._exceeds(1)

    def _exceeds(self, times: int) -> bool:
        return bool(self.trouble) and times * self.owed[1] >= self._spooling.most

    def settle(self, names: Iterable[str]) -> None:
        """Make names durable here and, unless it is away, have the bucket confirm them.

        Raises
        ------
        StorageFull
            The disk has no room; the blobs may or may not last.
        StoreAway
            The bucket is away and nothing may wait for it here.
        """
        names = list(names)
        super().settle(names)
        if self._spooling.first:
            self._owe(names)
        elif away := self._confirm_all(names):
            if not self._spooling.most:
                raise away
            self._owe([name for name in names if name not in self._confirmed])
        reach("bucket.settled")

    def sync(self, names: Sequence[str]) -> None:
        """Make written blobs and their names durable here; they are moved soon after."""
        super().sync(names)
        self._owe(names)

    def path(self, name: str) -> Path:
        """The file of a blob on this machine; it is fetched when there is none.

        Raises
        ------
        StoreAway
            It is in the bucket, which does not answer.
        FileNotFoundError
            It is nowhere.
        """
        found = self._cache.find(name)
        if found is not None:
            return found
        here = self._file(name)
        return here if here.exists() else self._fetched(name)

    def size(self, name: str) -> int:
        """Bytes of a blob; 0 when it is not there, or cannot be asked for now."""
        for file in (self._file(name), self._cache.find(name)):
            with contextlib.suppress(FileNotFoundError):
                if file is not None:
                    return file.stat().st_size
        try:
            return self.bucket.size(name) or 0
        except StoreAway:
            return 0

    def copy(self, name: str, to: Path) -> None:
        """Copy a blob into a new file, not by way of the cache."""
        if self._file(name).exists() or self._cache.find(name):
            super().copy(name, to)
        else:
            self.bucket.fetch(name, to)

    def remove(self, name: str) -> None:
        """Forget a blob; the bucket is told of it soon, also after a crash."""
        (self._removals / name).touch()
        sync_folder(self._removals)
        with self._changing:
            self._owed.pop(name, None)
            self._confirmed.pop(name, None)
        super().remove(name)
        self._cache.remove(name)
        self._news.set()

    def set_aside(self, name: str, folder: Path) -> None:
        """Move a blob out of the way, and out of the bucket."""
        super().set_aside(name, folder)
        self.remove(name)

    def lost(self, absent: set[str]) -> set[str]:  # noqa: ARG002 - see the base class
        """None: to know it the whole bucket must be listed (`sesamoid bucket check`)."""
        return set()

    def close(self) -> None:
        """Stop moving; what is owed stays owed."""
        self._stopping.set()
        self._news.set()
        if self._thread.ident is not None:
            self._thread.join(2 * self.bucket.place.timeout_seconds + 5)
        self._senders.shutdown(cancel_futures=True)
        super().close()

    def drain(self) -> None:
        """Move everything that can be moved now.

        Raises
        ------
        StoreAway
            The bucket does not answer; the rest stays owed.
        """
        with self._draining:
            if self._stopping.is_set():
                return
            if self._check is not None:
                self._check()
                self._check = None
            elif self.trouble:
                self.bucket.owner()
            for file in self._removals.iterdir():
                self.bucket.remove(file.name)
                file.unlink(missing_ok=True)  # another process of this folder may have been faster
            self._look_through()
            wrong = self._drain_owed()
            self._leave_spool()
            if wrong is not None:
                raise wrong
            self.trouble, self._pause, self._again_at = "", _AGAIN_FIRST, 0.0

    def bring_home(self, names: Iterable[str]) -> set[str]:
        """Have every one of these in the folder again, durable; nothing leaves it any more.

        Returns
        -------
        set[str]
            Those that are nowhere.

        Raises
        ------
        StoreAway
            The bucket does not answer, or what it gives is not what it was given.
        StorageFull
            There is no room.
        """
        lost = set()
        with self._draining:
            self._stopping.set()
            for name in names:
                if self._file(name).exists():
                    continue
                temp = self.incoming / f"{uuid.uuid4().hex}.fetched"
                try:
                    with full_disk_named(self.folder):
                        self.copy(name, temp)
                        sync_file(temp)
                        temp.replace(self._made(name))
                    Blobs.settle(self, [name])
                except FileNotFoundError:
                    lost.add(name)
                finally:
                    temp.unlink(missing_ok=True)
        return lost

    def _drain_owed(self) -> StoreAway | None:
        """Move what is owed; what cannot be for a reason of its own does not hold up the rest."""
        wrong = None
        tried: set[str] = set()
        while not self._stopping.is_set():
            with self._changing:
                names = [name for name in self._owed if name not in tried][: 4 * _AT_ONCE]
            if not names:
                break
            tried.update(names)
            for error in self._sent(names, perhaps_there=True):
                if not isinstance(error, WrongBytes):
                    raise error
                wrong = error
            reach("bucket.drained")
        return wrong

    def _confirm_all(self, names: Sequence[str]) -> StoreAway | None:
        """Have the bucket keep these; returns why not all of them could be."""
        if self._check is not None or time.monotonic() < self._again_at:
            return StoreAway(self.trouble or "The object store has not answered yet.")
        errors = self._sent(names)
        if not errors:
            return None
        self._note_away(errors[0])
        return errors[0]

    def _sent(self, names: Sequence[str], *, perhaps_there: bool = False) -> list[StoreAway]:
        """Each to its end: what was confirmed beside one that failed is known then."""
        ended: list[StoreAway] = []
        if len(names) == 1:
            found = [self._confirm(names[0], perhaps_there, ended)]
        else:
            sent = [
                self._senders.submit(self._confirm, name, perhaps_there, ended) for name in names
            ]
            found = [one.result() for one in sent]
        return [error for error in found if error is not None]

    def _confirm(self, name: str, perhaps_there: bool, ended: list[StoreAway]) -> StoreAway | None:
        """Have the bucket keep one; `ended`: it did not answer for another, nobody waits again."""
        if ended:
            return ended[0]
        try:
            self.bucket.keep(name, self._file(name), perhaps_there=perhaps_there)
        except FileNotFoundError:  # removed meanwhile
            pass
        except StoreAway as error:
            if not isinstance(error, WrongBytes):
                ended.append(error)
            return error
        else:
            with self._changing:
                self._confirmed[name] = time.monotonic()
        with self._changing:
            self._owed.pop(name, None)
        return None

    def _note_away(self, error: SesamoidError) -> None:
        if str(error) != self.trouble:
            log.warning("%s What comes in waits in the spool.", error)
        self.trouble = str(error)
        self._again_at = time.monotonic() + self._pause
        self._pause = min(2 * self._pause, _AGAIN_LONGEST)

    def _owe(self, names: Iterable[str]) -> None:
        sizes = {}
        for name in names:
            with contextlib.suppress(FileNotFoundError):
                sizes[name] = self._file(name).stat().st_size
        with self._changing:
            self._owed.update(sizes)
        self._news.set()

    def _look_through(self, *, but_fresh: bool = True) -> None:
        """Find what is in the spool though nobody in this process put it there."""
        if but_fresh and time.monotonic() < self._looked_at + _LOOK_SECONDS:
            return
        self._looked_at = time.monotonic()
        newest = time.time() - (_LEFT_ALONE_SECONDS if but_fresh else 0)
        with self._changing:
            known = {*self._owed, *self._confirmed}
        for name in set(self.names()) - known:
            with contextlib.suppress(FileNotFoundError):
                if self._file(name).stat().st_ctime < newest or not but_fresh:
                    self._owe([name])

    def _leave_spool(self) -> None:
        """Files that were confirmed a while ago become copies in the cache."""
        before = time.monotonic() - _STAY_SECONDS
        with self._changing:
            names = [name for name, at in self._confirmed.items() if at <= before]
        for name in names:
            with contextlib.suppress(FileExistsError, FileNotFoundError):
                os.link(self._file(name), self._cache.place(name))
            self._file(name).unlink(missing_ok=True)
            reach("bucket.left")
            with self._changing:
                self._confirmed.pop(name, None)
        if time.monotonic() > self._trimmed_at + _TRIM_SECONDS:
            self._cache.trim()
            self._trimmed_at = time.monotonic()

    def _fetched(self, name: str) -> Path:
        try:
            return self._fetch(name)
        except StorageFull:
            self._cache.trim(0)  # copies that nobody reads now give way
            return self._fetch(name)

    def _fetch(self, name: str) -> Path:
        temp = self.incoming / f"{uuid.uuid4().hex}.fetched"
        try:
            with full_disk_named(self._removals.parent):
                target = self._cache.place(name)
                self.bucket.fetch(name, temp)
                temp.replace(target)
        except FileNotFoundError:
            raise FileNotFoundError(errno.ENOENT, "The bucket has no such object", name) from None
        finally:
            temp.unlink(missing_ok=True)
        return target

    def _run(self) -> None:
        while not self._stopping.is_set():
            self._news.clear()
            try:
                self.drain()
                sleep = 30.0 if not self._confirmed else 5.0
            except SesamoidError as error:
                self._note_away(error)
                sleep = self._pause
            except Exception:
                log.exception("the spool is not emptied")
                sleep = _AGAIN_LONGEST
            if self.trouble:
                self._stopping.wait(sleep)
            else:
                self._news.wait(sleep)
