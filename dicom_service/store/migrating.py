"""Bringing the tables of an index to the version that this program knows.

A new index gets all tables at once. One that an earlier version wrote goes through the revisions
in `migrations`, in one transaction; there is no way back, for which a backup is made.
"""

from pathlib import Path

from sqlalchemy import Connection, inspect, select

from dicom_service.errors import SetupError, TryLater
from dicom_service.store.columns import metadata
from dicom_service.store.index import Index
from dicom_service.store.schema import VERSION, revisions, schema_version

MIGRATIONS = Path(__file__).parent / "migrations"


def bring_up_to_date(index: Index, folder: Path) -> None:
    """Make the tables, or change them to those that this program knows.

    Raises
    ------
    SetupError
        A newer version wrote the index, or another program holds it.
    """
    try:
        with index.read() as connection:
            found = _version(connection)
        if found is None or found < VERSION:
            with index.write("the tables") as connection:
                found = _version(connection)  # another node may have been first
                if found is None:
                    _make(connection)
                elif found < VERSION:
                    index.keep_older_out(connection)
                    upgrade(connection)
    except TryLater as error:
        raise SetupError(str(error)) from error
    if found is not None and found > VERSION:
        raise SetupError(
            f"The data folder {folder} was written by a newer version of this program "
            f"(schema {found}, this one knows {VERSION}). Install the newer version again."
        )


def upgrade(connection: Connection) -> None:
    """Run every revision that is missing, in the transaction of `connection`."""
    # Seldom needed, and it takes as long to import as all the rest of the store.
    from alembic import command
    from alembic.config import Config

    config = Config(attributes={"connection": connection})
    config.set_main_option("script_location", str(MIGRATIONS).replace("%", "%%"))
    command.upgrade(config, "head")


def _version(connection: Connection) -> int | None:
    if not inspect(connection).has_table(schema_version.name):
        return None
    return connection.execute(select(schema_version.c.version)).scalar()


def _make(connection: Connection) -> None:
    metadata.create_all(connection)
    connection.execute(schema_version.insert().values(version=VERSION))
    connection.execute(revisions.insert().values(version_num=f"{VERSION:04d}"))
