"""Blobs that are not in the data folder but in a bucket: which one, and whether it is the right.

A node with the wrong bucket would think that every object is lost, and two nodes that share one
without knowing of each other could not tell whose an object is. So bucket and data folder (with
an index that several nodes share: bucket and index) carry the same number.
"""

import os
import uuid
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING, NamedTuple

from dicom_service.errors import SetupError, StoreAway
from dicom_service.store.blobs import Blobs
from dicom_service.store.syncing import sync_folder

if TYPE_CHECKING:
    from dicom_service.store.bucket import Bucket
    from dicom_service.store.spool import SpooledBlobs

HOME = "objects-elsewhere"
"""The file in the data folder that holds the number."""


@dataclass(frozen=True)
class Place:
    """Where a bucket is, and how it is asked.

    Without a key the usual variables (AWS_ACCESS_KEY_ID, ...) or the machine's own role count.
    """

    name: str
    endpoint: str = ""
    region: str = "us-east-1"
    prefix: str = ""
    access_key: str = field(default="", repr=False)
    secret_key: str = field(default="", repr=False)
    authority: bytes = field(default=b"", repr=False)
    """PEM of the certificate that vouches for the store's; empty: the system's do."""
    timeout_seconds: float = 20.0

    def __str__(self) -> str:
        return f"{self.name}/{self.prefix} at {self.endpoint or self.region}"


class Spooling(NamedTuple):
    """How much may wait here, and what counts as kept."""

    first: bool = False
    """Whether an object is kept when it is in the spool, though the bucket is there."""
    most: int = 10 << 30
    """Bytes that may wait for a bucket that is away; 0: none, nothing is taken then."""
    cache: int = 10 << 30
    """Bytes of copies for reading."""


class Elsewhere(NamedTuple):
    """A bucket to be used, and how."""

    place: Place
    spooling: Spooling = Spooling()


def open_blobs(folder: Path, elsewhere: Elsewhere | None, incoming: Path | None = None) -> Blobs:
    """The blobs of a data folder; nobody is asked yet.

    Raises
    ------
    SetupError
        They are in a bucket and nobody says in which, or the library for it is not there.
    """
    here, incoming = folder / "blobs", incoming or folder / "incoming"
    if elsewhere is None:
        if (folder / HOME).is_file():
            raise SetupError(
                f"The objects of the data folder {folder} are in a bucket of an object store. "
                "Say which with [bucket], or bring them back with: sesamoid bucket leave."
            )
        return Blobs(here, incoming)
    return _spooled(here, incoming, elsewhere)


def _spooled(here: Path, incoming: Path, elsewhere: Elsewhere) -> Blobs:
    # Not every installation has the library.
    try:
        from dicom_service.store.bucket import Bucket
        from dicom_service.store.spool import SpooledBlobs
    except ImportError as error:
        raise SetupError(
            f"[bucket] needs the library for object stores ({error}): pip install 'sesamoid[s3]'."
        ) from error
    return SpooledBlobs(here, incoming, Bucket(elsewhere.place), elsewhere.spooling)


def owner_of(blobs: Blobs) -> str:
    """Whose the bucket says it is; "" when there is none, or it is nobody's yet."""
    bucket: Bucket | None = getattr(blobs, "bucket", None)
    return bucket.owner() if bucket is not None else ""


def begin(blobs: Blobs, folder: Path, number: str) -> None:
    """Make sure that it is the right bucket, and begin to move what is to be moved.

    Parameters
    ----------
    number
        Of the index, when several nodes share it; "": the folder has its own.

    Raises
    ------
    SetupError
        It is another's, or cannot be used; at the first start also when it does not answer.
    """
    if not hasattr(blobs, "bucket"):
        return
    spooled: SpooledBlobs = blobs  # type: ignore[assignment]
    try:
        _belong(spooled.bucket, folder, number)
    except StoreAway as error:
        if not _written(folder):
            raise SetupError(f"{error} At the first start it must.") from error
        spooled.wait_for(error, lambda: _belong(spooled.bucket, folder, number))
    spooled.start()


def end(folder: Path) -> None:
    """The objects of a data folder are in it again."""
    (folder / HOME).unlink(missing_ok=True)
    sync_folder(folder)


def _belong(bucket: "Bucket", folder: Path, number: str) -> None:
    bucket.examine()
    mine, theirs = _written(folder), bucket.owner()
    if mine and theirs != mine:
        whose = "another data folder's" if theirs else "nobody's"
        raise SetupError(
            f"The bucket {bucket.place} is {whose}, not the one with the objects of {folder}. "
            "Name the right one in [bucket], or bring them back from it with: "
            "sesamoid bucket leave."
        )
    if mine:
        return
    number = number or uuid.uuid4().hex
    if theirs not in ("", number) or not bucket.take(number):
        raise SetupError(
            f"The bucket {bucket.place} has the objects of another data folder. "
            "Name a bucket or a prefix of its own in [bucket]."
        )
    with (folder / HOME).open("w") as file:
        file.write(number)
        file.flush()
        os.fsync(file.fileno())
    sync_folder(folder)


def _written(folder: Path) -> str:
    try:
        return (folder / HOME).read_text().strip()
    except FileNotFoundError:
        return ""
