"""Who can sign in, and who is signed in."""

import json
from collections.abc import Sequence
from datetime import datetime
from typing import Any

from sqlalchemy import Connection, Select, delete, func, insert, select, update

from dicom_service.errors import NotFound, Refused
from dicom_service.store.index import retried
from dicom_service.store.model import SessionRow, UserRow
from dicom_service.store.opening import Shelf
from dicom_service.store.schema_accounts import disabled_users, sessions, user_sites, users
from dicom_service.store.times import from_us, to_us

ACCOUNTS = "accounts"
"""What every change is about: two administrators cannot take the role from each other at once."""


class Users(Shelf):
    """Users and their sessions; only hashes of passwords and tokens are kept."""

    @retried
    def add_user(
        self, name: str, display: str, password_hash: str, roles: Sequence[str], *, site: str = ""
    ) -> None:
        """Add somebody who can sign in, with roles at one site.

        Raises
        ------
        Refused
            The name is taken.
        """
        with self._index.write(ACCOUNTS) as connection:
            insert_user(connection, name, display, password_hash)
            put_roles(connection, name, site, roles)

    @retried
    def set_site_roles(self, name: str, site: str, roles: Sequence[str]) -> None:
        """The roles of a user at a site; none: that site is closed to them.

        Raises
        ------
        NotFound
            No such user.
        """
        with self._index.write(ACCOUNTS) as connection:
            if not connection.execute(select(users.c.name).where(users.c.name == name)).first():
                raise NotFound(f"There is no user {name}.")
            put_roles(connection, name, site, roles)

    def user(self, name: str) -> UserRow | None:
        """The user of that name."""
        with self._index.read() as connection:
            found = user_rows(connection, select(users).where(users.c.name == name))
        return found[0] if found else None

    def count_users(self) -> int:
        """How many can sign in."""
        with self._index.read() as connection:
            return connection.execute(select(func.count()).select_from(users)).scalar_one()

    @retried
    def set_password_hash(self, name: str, password_hash: str) -> None:
        """Change a password; whoever was signed in under the old one is signed out.

        Raises
        ------
        NotFound
            No such user.
        """
        with self._index.write(ACCOUNTS) as connection:
            changed = connection.execute(
                update(users).where(users.c.name == name).values(password_hash=password_hash)
            )
            if changed.rowcount == 0:
                raise NotFound(f"There is no user {name}.")
            connection.execute(delete(sessions).where(sessions.c.user == name))

    @retried
    def open_session(self, user: str, token_hash: str, csrf: str, expires: datetime) -> None:
        """Sign somebody in."""
        with self._index.write() as connection:
            connection.execute(
                insert(sessions).values(
                    token_hash=token_hash, user=user, csrf=csrf, expires=to_us(expires)
                )
            )

    def session(self, token_hash: str, now: datetime) -> SessionRow | None:
        """The session of a token, unless it has expired."""
        query = select(sessions).where(
            sessions.c.token_hash == token_hash, sessions.c.expires > to_us(now)
        )
        with self._index.read() as connection:
            row = connection.execute(query).first()
        if row is None:
            return None
        return SessionRow(user=row.user, csrf=row.csrf, expires=from_us(row.expires))

    @retried
    def close_session(self, token_hash: str) -> None:
        """Sign out."""
        with self._index.write() as connection:
            connection.execute(delete(sessions).where(sessions.c.token_hash == token_hash))


def insert_user(connection: Connection, name: str, display: str, password_hash: str) -> None:
    """Add a user without a role anywhere; Refused when the name is taken."""
    if connection.execute(select(users.c.name).where(users.c.name == name)).first():
        raise Refused(f"There is a user {name} already.")
    values = {"name": name, "display": display, "password_hash": password_hash}
    connection.execute(insert(users).values(**values, roles="[]"))


def put_roles(connection: Connection, name: str, site: str, roles: Sequence[str]) -> None:
    """Write down somebody's roles at a site."""
    said = json.dumps(list(roles))
    if not site:
        connection.execute(update(users).where(users.c.name == name).values(roles=said))
        return
    here = (user_sites.c.user == name, user_sites.c.site == site)
    connection.execute(delete(user_sites).where(*here))
    if roles:
        connection.execute(insert(user_sites).values(user=name, site=site, roles=said))


def user_rows(connection: Connection, query: Select[Any]) -> list[UserRow]:
    """What a query over users finds."""
    query = query.add_columns(disabled_users.c.name.label("disabled")).outerjoin(
        disabled_users, disabled_users.c.name == users.c.name
    )
    rows = connection.execute(query).all()
    names = [row.name for row in rows]
    at_sites: dict[str, dict[str, tuple[str, ...]]] = {}
    kept = select(user_sites).where(user_sites.c.user.in_(names)).order_by(user_sites.c.site)
    for row in connection.execute(kept):
        at_sites.setdefault(row.user, {})[row.site] = tuple(json.loads(row.roles))
    return [
        UserRow(
            name=row.name,
            display=row.display,
            password_hash=row.password_hash,
            roles=tuple(json.loads(row.roles)),
            disabled=row.disabled is not None,
            sites=at_sites.get(row.name, {}),
        )
        for row in rows
    ]
