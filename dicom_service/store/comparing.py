"""Looking whether bucket and index agree, and bringing the objects back into the data folder."""

from datetime import UTC, datetime, timedelta
from typing import TYPE_CHECKING, NamedTuple

from sqlalchemy import update

from dicom_service.errors import SetupError
from dicom_service.store import elsewhere
from dicom_service.store.schema import instances
from dicom_service.store.store import Store

if TYPE_CHECKING:
    from dicom_service.store.spool import SpooledBlobs

_SETTLED = timedelta(hours=24)
"""What came into the bucket since may be on its way into the index of some node."""


class Compared(NamedTuple):
    """How bucket and index differ, by names of blobs."""

    objects: int
    """In the bucket or the spool, and named by the index."""
    lost: set[str]
    """Named by the index, and in neither."""
    unknown: set[str]
    """In the bucket for a day, and not named by the index."""
    back: set[str]
    """There though the index has them as dropped or lost."""


def compare(store: Store) -> Compared:
    """List the whole bucket; nodes may be at work.

    Raises
    ------
    SetupError
        The objects are not in a bucket.
    StoreAway
        It does not answer.
    """
    blobs = _spooled(store)
    since = datetime.now(UTC) - _SETTLED
    found = dict(blobs.bucket.listed())
    here = set(blobs.names())
    known, expected, hidden = store.known_blobs()
    wanted = expected | (known - hidden)
    # What came after the listing is asked for one by one.
    lost = {name for name in wanted - set(found) - here if not blobs.bucket.size(name)}
    unknown = {name for name, at in found.items() if at < since} - known - here
    return Compared(len(wanted - lost), lost, unknown, (hidden - expected) & set(found))


def mend(store: Store, compared: Compared) -> None:
    """Hide what is lost until it is sent again, show what is back, remove what nothing names."""
    with store.changing() as connection:
        for names, missing in ((compared.lost, True), (compared.back, False)):
            for name in names:
                change = update(instances).where(instances.c.blob == name)
                connection.execute(change.values(missing=missing))
    blobs = _spooled(store)
    for name in compared.unknown:
        blobs.bucket.remove(name)


def leave(store: Store) -> Compared:
    """Bring every object back into the data folder; no node may be at work.

    Raises
    ------
    StoreAway
        The bucket does not answer; what came stays, and it can be begun again.
    StorageFull
        There is no room.
    """
    blobs = _spooled(store)
    known, expected, hidden = store.known_blobs()
    wanted = expected | (known - hidden)
    lost = blobs.bring_home(sorted(wanted))
    blobs.bucket.let_go()
    elsewhere.end(store.folder)
    return Compared(len(wanted - lost), lost, set(), set())


def _spooled(store: Store) -> "SpooledBlobs":
    blobs: SpooledBlobs | None = store.in_bucket
    if blobs is None:
        raise SetupError("The objects are in the data folder: no bucket is set in [bucket].")
    return blobs
