"""Bringing the tables of an index to the version that this program knows.

A new index gets all tables at once. One that an earlier version wrote goes through the revisions
in `migrations`, in one transaction. One that a newer version wrote can be used as long as that
says so (`oldest`): it has only added to what this program knows.
"""

import logging
import random
import time
from pathlib import Path
from typing import NamedTuple

from sqlalchemy import Connection, inspect

from dicom_service.errors import SetupError, TryLater
from dicom_service.store.columns import metadata
from dicom_service.store.index import Index, Overtaken
from dicom_service.store.schema import OLDEST, VERSION, revisions, schema_version

log = logging.getLogger(__name__)

MIGRATIONS = Path(__file__).parent / "migrations"
REVISIONS = [MIGRATIONS / "versions"]
"""Folders of revisions."""
PATIENCE_SECONDS = 120.0
"""How long it is tried to change tables that others are using; a try holds up nobody for long."""


class Found(NamedTuple):
    """What an index says of its tables."""

    version: int
    oldest: int
    """Programs that know at least this version may use them."""


def bring_up_to_date(index: Index, folder: Path) -> None:
    """Make the tables, or change them to those that this program knows.

    Raises
    ------
    SetupError
        A newer version wrote the index and lets this one not use it, or others hold it.
    """
    try:
        with index.read() as connection:
            found = _found(connection)
        if found is None or found.version < VERSION:
            found = _changed(index)
    except TryLater as error:
        raise SetupError(str(error)) from error
    if found.oldest > VERSION:
        raise SetupError(
            f"The data folder {folder} was written by a newer version of this program "
            f"(schema {found.version}, this one knows {VERSION}). Install the newer version again."
        )
    if found.version > VERSION:
        log.warning(
            "a newer version of this program has added to the index (schema %d, this one knows "
            "%d): both may work on it; update this one too",
            found.version,
            VERSION,
        )


def check_all_known(connection: Connection, what: str) -> None:
    """Refuse to copy tables of which this program knows only a part.

    Raises
    ------
    SetupError
        A newer version has added to them.
    """
    found = _found(connection)
    if found is not None and found.version > VERSION:
        raise SetupError(
            f"A newer version of this program has added to {what} (schema {found.version}, this "
            f"one knows {VERSION}): a copy made here would lack it. Use the newer version for it."
        )


def upgrade(connection: Connection) -> None:
    """Run every revision that is missing, in the transaction of `connection`."""
    # Seldom needed, and it takes as long to import as all the rest of the store.
    from alembic import command
    from alembic.config import Config

    config = Config(attributes={"connection": connection})
    config.set_main_option("script_location", _option(MIGRATIONS))
    config.set_main_option("path_separator", "newline")
    config.set_main_option("version_locations", "\n".join(map(_option, REVISIONS)))
    command.upgrade(config, "head")
    connection.execute(schema_version.update().values(version=VERSION, oldest=OLDEST))


def _option(path: Path) -> str:
    return str(path).replace("%", "%%")


def _changed(index: Index) -> Found:
    """Change the tables; again, as long as others who are at work keep them."""
    until = time.monotonic() + PATIENCE_SECONDS
    while True:
        try:
            with index.write("the tables") as connection:
                return _change(index, connection)
        except Overtaken:
            if time.monotonic() > until:
                raise
            time.sleep(random.uniform(0.1, 1.0))  # noqa: S311 - only spreads


def _change(index: Index, connection: Connection) -> Found:
    found = _found(connection)  # another node may have been first
    if found is None:
        _make(connection)
    elif found.version < VERSION:
        index.begin_change(connection, OLDEST if found.oldest < OLDEST else None)
        upgrade(connection)
    else:
        return found
    return Found(VERSION, OLDEST)


def _found(connection: Connection) -> Found | None:
    if not inspect(connection).has_table(schema_version.name):
        return None
    row = connection.exec_driver_sql("SELECT * FROM schema_version").mappings().first()
    return None if row is None else Found(row["version"], row.get("oldest", row["version"]))


def _make(connection: Connection) -> None:
    metadata.create_all(connection)
    connection.execute(schema_version.insert().values(version=VERSION, oldest=OLDEST))
    connection.execute(revisions.insert().values(version_num=f"{VERSION:04d}"))
