"""The rows of one index into another, whichever engines they are: backup, restoration, growth."""

import sqlite3
from contextlib import closing
from pathlib import Path

from sqlalchemy import Column, Connection, Table, func, select

from dicom_service.errors import SetupError
from dicom_service.store.blobs import Blobs
from dicom_service.store.columns import metadata
from dicom_service.store.home import JOURNAL, make_home
from dicom_service.store.index import Index
from dicom_service.store.migrating import bring_up_to_date, check_all_known
from dicom_service.store.replay import replay
from dicom_service.store.schema import index_home, journal_state, leases, revisions, schema_version
from dicom_service.store.sqlite import SqliteIndex

_PIECE = 1000
_OF_THE_INDEX = {schema_version, revisions, index_home, journal_state, leases}
"""Tables about the index itself, or about what is being done at this moment."""


def moved_tables() -> list[Table]:
    """What is copied, in an order in which every row finds the rows that it points to."""
    return [table for table in metadata.sorted_tables if table not in _OF_THE_INDEX]


def copy_rows(source: Connection, target: Connection) -> None:
    """Copy all rows into tables that are empty."""
    for table in moved_tables():
        streamed = source.execution_options(yield_per=_PIECE).execute(select(table))
        for piece in streamed.mappings().partitions():
            target.execute(table.insert(), [dict(row) for row in piece])
        if target.dialect.name == "postgresql" and table.autoincrement_column is not None:
            _count_on(target, table, table.autoincrement_column)


def copy_to_file(source: Connection, file: Path) -> None:
    """Copy all rows into a new SQLite file, which is whole and durable when this returns.

    Raises
    ------
    SetupError
        A newer version of the program has added to the tables.
    """
    check_all_known(source, "this index")
    with SqliteIndex(file) as made:
        bring_up_to_date(made, file.parent)
        with made.write() as target:
            copy_rows(source, target)
    with closing(sqlite3.connect(file)) as base:
        base.execute("PRAGMA journal_mode=DELETE")  # no second file belongs to it


def check_empty(index: Index, folder: Path) -> None:
    """Make the tables of an index, and see to it that nothing was ever kept in them.

    Raises
    ------
    SetupError
        Something is.
    """
    bring_up_to_date(index, folder)
    with index.read() as connection:
        for table in (*moved_tables(), index_home):
            if connection.execute(select(table).limit(1)).first():
                raise SetupError(
                    f"The index {index.place} is not empty. Make a new database; "
                    "nothing is overwritten."
                )


def load(file: Path, index: Index, folder: Path) -> None:
    """Move the rows of an SQLite file, of this or an earlier version, into an empty index.

    What waits in the journal of `folder` gets its rows, too.

    Raises
    ------
    SetupError
        A newer version of the program wrote the file.
    """
    with SqliteIndex(file) as written, closing(Blobs(folder / "blobs", folder)) as blobs:
        bring_up_to_date(written, folder)
        replay(written, blobs, folder / JOURNAL)
        with written.read() as source, index.write() as target:
            check_all_known(source, str(file))
            copy_rows(source, target)
    file.unlink()
    make_home(index, folder)


def _count_on(target: Connection, table: Table, key: Column[int]) -> None:
    """New rows get numbers after the copied ones."""
    highest = select(func.coalesce(func.max(key), 0)).scalar_subquery()
    sequence = func.pg_get_serial_sequence(table.name, key.name)
    target.execute(select(func.setval(sequence, highest + 1, False)))
