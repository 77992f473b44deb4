"""A bucket of an S3-compatible object store: bytes by name, written once, confirmed when kept.

Nothing is ever written over: an object is created on the condition that there is none of its
name. What the store says it has kept is looked at once more (size and digest) before anybody
relies on it, and what comes back is checked against the digest that went with it.
"""

import hashlib
import mmap
import os
import re
import uuid
from collections.abc import Iterator
from contextlib import contextmanager
from datetime import datetime, timedelta
from pathlib import Path

import obstore
from obstore.exceptions import (
    AlreadyExistsError,
    BaseError,
    PermissionDeniedError,
    UnauthenticatedError,
)
from obstore.store import S3Store

from dicom_service.errors import SetupError, StoreAway
from dicom_service.store.elsewhere import Place

_CONNECT_SECONDS = 5.0
_DIGEST = "sha256"
"""Name of the metadata that carry the digest of the bytes."""
_UNABLE = "(NotImplemented)"
_HOME = "home"
_PIECE = 1 << 20


class WrongBytes(StoreAway):
    """The store answers, and what it has of one object is not what it was given."""


class Bucket:
    """A bucket; every method may be called from any thread.

    All raise `StoreAway` when the store does not answer, refuses, or has not kept what it said.
    """

    def __init__(self, place: Place) -> None:
        self.place = place
        options: dict[str, object] = {
            "timeout": timedelta(seconds=place.timeout_seconds),
            "connect_timeout": timedelta(seconds=min(_CONNECT_SECONDS, place.timeout_seconds)),
            "allow_http": place.endpoint.startswith("http:"),
        }
        if place.authority:
            options["root_certificate"] = place.authority
        given = {
            "endpoint": place.endpoint,
            "access_key_id": place.access_key,
            "secret_access_key": place.secret_key,
        }
        self._store = S3Store(
            place.name,
            prefix=place.prefix.strip("/") or None,
            region=place.region,
            disable_bulk_delete=True,  # of one object; not every store has the other way
            client_options=options,  # type: ignore[arg-type]
            # Whoever asks tries again by himself, and a create that is repeated finds itself.
            retry_config={"max_retries": 0, "retry_timeout": timedelta(seconds=0)},
            **{name: value for name, value in given.items() if value},  # type: ignore[arg-type]
        )

    def keep(self, name: str, file: Path, *, perhaps_there: bool = False) -> None:
        """Have the store keep a file; it has confirmed that when this returns.

        Done again it finds what it did, and changes nothing.

        Parameters
        ----------
        perhaps_there
            Look before it is sent: it may have been, by a process that was killed.

        Raises
        ------
        FileNotFoundError
            There is no such file.
        """
        data = _bytes_of(file)
        digest = hashlib.sha256(data).hexdigest()
        wanted = (len(data), digest)
        if perhaps_there and self._look(_key(name)) == wanted:
            return
        self._create(_key(name), data, digest)
        found = self._look(_key(name))
        if found != wanted:
            raise WrongBytes(
                f"The bucket {self.place} has other bytes under the name {name} than were sent: "
                f"{found[0] if found else 'none'} instead of {len(data)}. They stay here."
            )

    def fetch(self, name: str, to: Path) -> None:
        """Write an object into a new file, checked.

        Raises
        ------
        FileNotFoundError
            The bucket has no such object.
        """
        with self._asking():
            answer = obstore.get(self._store, _key(name))
            digest, size = hashlib.sha256(), 0
            with to.open("wb") as file:
                for piece in answer.stream(min_chunk_size=_PIECE):
                    digest.update(piece)
                    size += file.write(piece)
        said = str(answer.attributes.get(_DIGEST, ""))
        if size != answer.meta["size"] or said not in ("", digest.hexdigest()):
            to.unlink(missing_ok=True)
            raise WrongBytes(
                f"What the bucket {self.place} gives for {name} is not what it was given."
            )

    def size(self, name: str) -> int | None:
        """Bytes of an object; None: there is none."""
        found = self._look(_key(name))
        return None if found is None else found[0]

    def remove(self, name: str) -> None:
        """Forget an object; nothing happens when there is none."""
        with self._asking():
            obstore.delete(self._store, _key(name))

    def listed(self) -> Iterator[tuple[str, datetime]]:
        """All objects, in no order, each with the moment since when it is there."""
        with self._asking():
            for page in obstore.list(self._store, prefix="blobs"):
                for meta in page:
                    yield meta["path"].rpartition("/")[2], meta["last_modified"]

    def owner(self) -> str:
        """The number of the data folder or index whose objects these are; "": nobody's yet."""
        try:
            with self._asking():
                return bytes(obstore.get(self._store, _HOME).bytes()).decode()
        except FileNotFoundError:
            return ""

    def take(self, number: str) -> bool:
        """Make it the bucket of a data folder or index; False: it is another's."""
        self._create(_HOME, number.encode(), "")
        return self.owner() == number

    def let_go(self) -> None:
        """It is nobody's any more."""
        with self._asking():
            obstore.delete(self._store, _HOME)

    def examine(self) -> None:
        """Try everything that is needed of it once, with an object that is removed again.

        Raises
        ------
        SetupError
            Something is not as it must be.
        """
        try:
            self._probe(f"probe-{uuid.uuid4().hex}")
        except StoreAway as error:
            if _UNABLE in str(error):
                raise SetupError(
                    f"The object store of the bucket {self.place} does not know conditional "
                    "writes (If-None-Match: *). Use one that honours them."
                ) from error
            raise

    def _probe(self, name: str) -> None:
        with self._asking():
            obstore.put(self._store, name, b"first", mode="create", use_multipart=False)
            try:
                obstore.put(self._store, name, b"second", mode="create", use_multipart=False)
            except AlreadyExistsError:
                honoured = True
            else:
                honoured = False
            kept = bytes(obstore.get(self._store, name).bytes())
            obstore.delete(self._store, name)
        if not honoured or kept != b"first":
            raise SetupError(
                f"The object store of the bucket {self.place} writes over what it has although "
                "it was told not to (If-None-Match: *), so nothing in it would be safe. "
                "Use a store that honours conditional writes."
            )

    def _create(self, key: str, data: bytes | mmap.mmap, digest: str) -> None:
        with self._asking():
            try:
                obstore.put(
                    self._store,
                    key,
                    data,
                    mode="create",
                    use_multipart=False,
                    attributes={_DIGEST: digest} if digest else None,
                )
            except AlreadyExistsError:  # perhaps by us, and the answer was lost
                return

    def _look(self, key: str) -> tuple[int, str] | None:
        """Size and digest of what is kept."""
        try:
            with self._asking():
                found = obstore.get(self._store, key, options={"head": True})
                return found.meta["size"], str(found.attributes.get(_DIGEST, ""))
        except FileNotFoundError:
            return None

    @contextmanager
    def _asking(self) -> Iterator[None]:
        try:
            yield
        except FileNotFoundError as error:
            if "NoSuchBucket" in str(error):
                raise StoreAway(f"There is no bucket {self.place}.") from None
            raise
        except (PermissionDeniedError, UnauthenticatedError) as error:
            raise StoreAway(
                f"The object store does not let this node into the bucket {self.place}"
                f"{_code(error)}. Check the key and its permissions in [bucket]."
            ) from None
        # The library's words name addresses and may quote signed requests: they go no further.
        except (BaseError, ValueError, OSError) as error:
            if isinstance(error, OSError) and error.errno:
                raise
            raise StoreAway(
                f"The object store of the bucket {self.place} does not answer{_code(error)}."
            ) from None


def _bytes_of(file: Path) -> bytes | mmap.mmap:
    """A file's bytes, of which the system has as many in memory as it likes.

    The library sends an object in parts only where it may write over another: on the condition
    that there is none it wants all of it at once.
    """
    with file.open("rb") as opened:
        if not os.fstat(opened.fileno()).st_size:
            return b""
        return mmap.mmap(opened.fileno(), 0, access=mmap.ACCESS_READ)


def _key(name: str) -> str:
    return f"blobs/{name}"


def _code(error: Exception) -> str:
    """What the store called it, such as AccessDenied or 503."""
    text = str(error)
    for pattern in (r"<Code>(\w{1,60})</Code>", r"status code: (\d{3})", r"(timed out)"):
        found = re.search(pattern, text)
        if found:
            return f" ({found[1]})"
    return ""
