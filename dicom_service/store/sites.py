"""Whose study it is. The first object of a study decides, by the site that was called; it stays.

The site without a name has the id "". Where there are others, every read of studies for somebody
names the sites that they may see (`ListQuery.sites` and the like), and whoever asks for a study by
its UID has passed `site_of` before (`web/gate.py`).
"""

from collections.abc import Collection, Sequence
from typing import Any

from sqlalchemy import ColumnElement, delete, insert, literal_column, select

from dicom_service.errors import SetupError
from dicom_service.store.index import retried
from dicom_service.store.model import UserRow
from dicom_service.store.opening import Shelf
from dicom_service.store.schema import studies
from dicom_service.store.schema_accounts import known_sites


class Sites(Shelf):
    """Which sites there are, and which a study is of."""

    def site_of(self, study_uid: str) -> str | None:
        """The site of a study; None: there is no such study."""
        query = select(studies.c.site).where(studies.c.study_uid == study_uid)
        with self._index.read() as connection:
            return connection.execute(query).scalar()

    @retried
    def set_sites(self, ids: Collection[str]) -> None:
        """Know these sites, and forget others that have no study.

        Raises
        ------
        SetupError
            Another has studies: nobody could see them, or everybody.
        """
        with self._index.write("the sites") as connection:
            known = set(connection.execute(select(known_sites.c.id)).scalars())
            for site in sorted(known.difference(ids)):
                if connection.execute(select(studies.c.study_uid).where(of(site)).limit(1)).first():
                    raise SetupError(
                        f"Studies of the site '{site}' are kept here, and the settings have no "
                        "such site. Put its [[sites]] block back."
                    )
                connection.execute(delete(known_sites).where(known_sites.c.id == site))
            for site in sorted(set(ids).difference(known)):
                connection.execute(insert(known_sites).values(id=site))
        self.several_sites = bool(ids)

    several_sites: bool


def seen_by(user: UserRow, known: Collection[str]) -> tuple[str, ...] | None:
    """The sites of which somebody may see studies; None: all that there are.

    Parameters
    ----------
    known
        Ids of the sites with a name. Without any, everybody who can sign in sees all; but not
        whoever has roles only at sites that were there once.
    """
    if not known:
        return None if user.roles or not user.sites else ()
    if "administrator" in user.roles:
        return None
    unnamed = ("",) if user.roles else ()
    found = (*unnamed, *(site for site in user.sites if site in known))
    return None if len(found) == len(known) + 1 else found


def of(site: str) -> ColumnElement[bool]:
    """The condition that a study is of this site, so that the index of named sites will do."""
    same = studies.c.site == site
    # As in the condition of the index, so that the database knows it again.
    return same & literal_column("studies.site != ''") if site else same


def among(column: Any, sites: Sequence[str] | None) -> list[ColumnElement[bool]]:
    """Conditions on a column that names a site: it is one of these; None: none."""
    return [] if sites is None else [column.in_(sites)]
