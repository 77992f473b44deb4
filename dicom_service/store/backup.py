"""A copy of a data folder that is consistent while the node runs, and the way back.

The index is copied first, in one moment of it; the bytes it names never change, so they are
copied afterwards, those that the backup does not have yet; what only the journal holds is copied
before. The copy of the index takes its name last: a backup that is interrupted leaves the one
before.
"""

import shutil
from collections.abc import Callable
from contextlib import ExitStack
from datetime import datetime
from pathlib import Path
from typing import NamedTuple

from sqlalchemy import select

from dicom_service.errors import SetupError
from dicom_service.store.blobs import Blobs, full_disk_named
from dicom_service.store.digests import digest_of
from dicom_service.store.elsewhere import Elsewhere, open_blobs
from dicom_service.store.home import INDEX, JOURNAL, is_data_folder, join
from dicom_service.store.index import Index
from dicom_service.store.moving import check_empty, load
from dicom_service.store.opening import open_index
from dicom_service.store.records import files_in
from dicom_service.store.replay import copy_waiting
from dicom_service.store.schema import documents, instances, quarantine
from dicom_service.store.sqlite import SqliteIndex
from dicom_service.store.store import Store
from dicom_service.store.syncing import sync_file, sync_folder

_ALONE = ("device-uid",)
"""Files beside the index that belong to the node."""
_TRIES = 5


class Copied(NamedTuple):
    """What a backup or a restoration did."""

    objects: int
    """Files that the index names."""
    copied: int
    size: int
    """Bytes of the copied ones."""
    missing: int
    """Objects that had lost their file already."""


class _Wanted(NamedTuple):
    name: str
    digest: str  # "": not known


def back_up(
    data: Path,
    to: Path,
    *,
    user: str,
    at: datetime,
    index_url: str = "",
    elsewhere: Elsewhere | None = None,
) -> Copied:
    """Bring the backup in `to` up to date; the node may run.

    A backup has the same form whichever engine keeps the index.

    Raises
    ------
    SetupError
        `data` is no data folder, or `to` is inside it.
    StorageFull
        There is no room for it; the backup before is still whole.
    """
    if not is_data_folder(data):
        raise SetupError(f"{data} is no data folder of this program: it has no {INDEX}.")
    if to.absolute().is_relative_to(data.absolute()):
        raise SetupError(f"A backup inside the data folder {data} would be lost with it.")
    with full_disk_named(to):
        to.mkdir(parents=True, exist_ok=True)
        with open_index(data, index_url) as index:
            if index.shared:
                join(index, data)
            before = files_in(to / JOURNAL)
            waiting = copy_waiting(index, data / JOURNAL, to / JOURNAL)
            done = _copied(index, data, to, elsewhere)
            for file in before:  # until now the index before needed them
                file.unlink()
        done = done._replace(objects=done.objects + waiting, copied=done.copied + waiting)
        for name in _ALONE:
            if (data / name).is_file():
                _copy(data / name, to / name)
        sync_folder(to)
    store = Store(data, exclusive=False, index_url=index_url, elsewhere=elsewhere)
    try:
        store.audit("backup made", user=user, detail=f"{done.objects} objects to {to}", at=at)
    finally:
        store.close()
    return done


def restore(backup: Path, data: Path, index_url: str = "") -> Copied:
    """Make a data folder from a backup; every object is checked against its digest.

    Parameters
    ----------
    index_url
        Where the index goes, when it does not go into the folder; see `Store`.

    Raises
    ------
    SetupError
        There is no backup, the folder or the index is not empty, or an object is not what was
        backed up.
    StorageFull
        There is no room.
    """
    if not (backup / INDEX).is_file():
        raise SetupError(f"There is no backup in {backup}: it has no {INDEX}.")
    if data.exists() and any(data.iterdir()):
        raise SetupError(
            f"The data folder {data} is not empty. Move what is in it away first; "
            "nothing is overwritten."
        )
    with full_disk_named(data), ExitStack() as opened:
        data.mkdir(parents=True, exist_ok=True)
        index = opened.enter_context(open_index(data, index_url)) if index_url else None
        if index is not None:
            check_empty(index, data)
        wanted, missing = _named(backup / INDEX)
        size = _copy_all(Blobs(backup / "blobs", backup), data, wanted)
        for name in _ALONE:
            if (backup / name).is_file():
                _copy(backup / name, data / name)
        _copy(backup / INDEX, data / INDEX)
        for file in files_in(backup / JOURNAL):
            (data / JOURNAL).mkdir(exist_ok=True)
            _copy(file, data / JOURNAL / file.name)
            sync_folder(data / JOURNAL)
        if index is not None:
            load(data / INDEX, index, data)
        sync_folder(data)
    return Copied(len(wanted), len(wanted), size, missing)


def _copied(index: Index, data: Path, to: Path, elsewhere: Elsewhere | None) -> Copied:
    """Index and objects; begun again when an object was deleted in the meantime."""
    new = to / f"{INDEX}.new"
    there, source = Blobs(to / "blobs", to), open_blobs(data, elsewhere)
    for _ in range(_TRIES):
        new.unlink(missing_ok=True)
        index.snapshot(new)
        wanted, missing = _named(new)
        absent = [one for one in wanted if not there.path(one.name).is_file()]
        try:
            size = _copy_all(source, to, absent)
        except FileNotFoundError:
            continue
        sync_file(new)
        new.replace(to / INDEX)
        sync_folder(to)  # the index before names what is removed now
        _prune(there, {one.name for one in wanted})
        return Copied(len(wanted), len(absent), size, missing)
    raise SetupError(
        f"Objects of {data} have lost their files. Start the node once: it says which."
    )


def _named(index: Path) -> tuple[list[_Wanted], int]:
    """The blobs that an index names and that must be there, and how many have none."""
    with SqliteIndex(index) as opened, opened.read() as connection:
        rows = connection.execute(
            select(instances.c.blob, instances.c.digest, instances.c.missing)
        ).all()
        aside = connection.execute(select(quarantine.c.blob, quarantine.c.digest)).all()
        papers = connection.execute(select(documents.c.blob)).scalars().all()
    wanted = {row.blob: row.digest for row in rows if not row.missing}
    wanted |= {row.blob: row.digest for row in aside}
    gone = {row.blob for row in rows if row.missing}
    for blob in papers:
        if blob not in gone:
            wanted.setdefault(blob, "")
    return [_Wanted(name, digest) for name, digest in wanted.items()], len(gone)


def _copy_all(source: Blobs, to: Path, wanted: list[_Wanted]) -> int:
    """Copy blobs; all of them are durable when this returns. Returns their bytes."""
    target = Blobs(to / "blobs", to)
    size = 0
    folders: set[Path] = set()
    for one in wanted:
        place = target.path(one.name)
        place.parent.mkdir(parents=True, exist_ok=True)
        size += _copy_blob(source, one, place)
        folders |= {place.parent, place.parent.parent, target.folder}
    for folder in folders:
        sync_folder(folder)
    return size


def _copy_blob(source: Blobs, one: _Wanted, target: Path) -> int:
    return _copied_by(lambda temp: source.copy(one.name, temp), one.name, target, one.digest)


def _copy(source: Path, target: Path) -> int:
    return _copied_by(lambda temp: shutil.copyfile(source, temp), str(source), target)


def _copied_by(copy: Callable[[Path], object], what: str, target: Path, digest: str = "") -> int:
    """Copy one file, durable and checked when this returns; returns its size."""
    temp = target.with_name(f"{target.name}.part")
    copy(temp)
    sync_file(temp)
    if digest and digest_of(temp, like=digest)[0] != digest:
        temp.unlink()
        raise SetupError(
            f"{what} is not what was received: its content has changed on the disk. "
            "Have its study sent again, or restore it from an older backup."
        )
    temp.replace(target)
    return target.stat().st_size


def _prune(blobs: Blobs, wanted: set[str]) -> None:
    """Remove what no index names any more."""
    for name in [name for name in blobs.names() if name not in wanted]:
        blobs.remove(name)
