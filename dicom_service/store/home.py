"""Which data folder and which index belong together, when the index is not in the folder.

A node that had the right index and the wrong folder would think that every object is lost; with
the right folder and an empty index it would think that no object belongs to anything. So both
carry the same number.
"""

import os
import uuid
from collections.abc import Callable
from pathlib import Path

from sqlalchemy import Connection, select

from dicom_service.errors import SetupError
from dicom_service.store.index import Index
from dicom_service.store.schema import index_home
from dicom_service.store.syncing import sync_folder

HOME = "index-elsewhere"
"""The file in the data folder that holds the number."""
INDEX, JOURNAL = "index.sqlite", "journal"
"""The index, and the folder of the journal, within a data folder or a backup."""
INCOMING = "incoming"
"""The folder of temporary files within a data folder; beside others each process has one in it."""


def check_alone(folder: Path) -> None:
    """See to it that this folder's index is the one in it.

    Raises
    ------
    SetupError
        It is elsewhere.
    """
    if (folder / HOME).is_file():
        raise SetupError(
            f"The index of the data folder {folder} is in a PostgreSQL database. "
            "Say which with index_url."
        )


def is_data_folder(folder: Path) -> bool:
    """Whether a node has kept anything here."""
    return (folder / INDEX).is_file() or (folder / HOME).is_file()


def join(index: Index, folder: Path, owner: Callable[[], str] = str) -> str:
    """See to it that this folder holds the objects of this index; a new pair is made one.

    Parameters
    ----------
    owner
        The number that the bucket has in which the objects are, if they are in one: of such an
        index a node may have a folder to itself.

    Returns
    -------
    str
        Their number.

    Raises
    ------
    SetupError
        They do not belong together.
    """
    with index.read() as connection:
        known = _known(connection)
    if known is None:
        with index.write("home of the index") as connection:
            known = _known(connection)
            if known is None:
                _check_new(index, folder)
                return _pair(connection, folder)
    if not _written(folder) and owner() == known and not _used(folder):
        _write(folder, known)
    if _written(folder) != known:
        raise SetupError(
            f"The index {index.place} belongs to another data folder than {folder}. "
            "Every node of this index needs the same data folder, on storage that they share, "
            "or the same bucket."
        )
    return known


def make_home(index: Index, folder: Path) -> None:
    """Make a folder and an index a pair whose contents are known to belong together."""
    with index.write("home of the index") as connection:
        _pair(connection, folder)


def _check_new(index: Index, folder: Path) -> None:
    if _used(folder):
        raise SetupError(
            f"The index {index.place} is empty and the data folder {folder} is not. To move one "
            "into the other make a backup, then restore it into a new folder with index_url set."
        )


def _used(folder: Path) -> bool:
    blobs = (folder / "blobs").rglob("*")
    return any(file.is_file() for file in blobs) or (folder / INDEX).is_file()


def _pair(connection: Connection, folder: Path) -> str:
    number = _written(folder)
    if not number:
        number = uuid.uuid4().hex
        _write(folder, number)
    connection.execute(index_home.insert().values(folder_id=number))
    return number


def _write(folder: Path, number: str) -> None:
    with (folder / HOME).open("w") as file:
        file.write(number)
        file.flush()
        os.fsync(file.fileno())
    sync_folder(folder)


def _known(connection: Connection) -> str | None:
    return connection.execute(select(index_home.c.folder_id)).scalar()


def _written(folder: Path) -> str:
    try:
        return (folder / HOME).read_text().strip()
    except FileNotFoundError:
        return ""
