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
from dicom_service.store.schema_accounts import disabled_users, sessions, users
from dicom_service.store.times import from_us, to_us

ACCOUNTS = "accounts"
"""What every change is about: two administrators cannot take the role from each other at once."""


class Users(Shelf):
    """Users and their sessions; only hashes of passwords and tokens are kept."""

    @retried
    def add_user(self, name: str, display: str, password_hash: str, roles: Sequence[str]) -> None:
        """Add somebody who can sign in.

        Raises
        ------
        Refused
            The name is taken.
        """
        with self._index.write(ACCOUNTS) as connection:
            if connection.execute(select(users.c.name).where(users.c.name == name)).first():
                raise Refused(f"There is a user {name} already.")
            connection.execute(
                insert(users).values(
                    name=name,
                    display=display,
                    password_hash=password_hash,
                    roles=json.dumps(list(roles)),
                )
            )

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


def user_rows(connection: Connection, query: Select[Any]) -> list[UserRow]:
    """What a query over users finds."""
    disabled = set(connection.execute(select(disabled_users.c.name)).scalars())
    return [
        UserRow(
            name=row.name,
            display=row.display,
            password_hash=row.password_hash,
            roles=tuple(json.loads(row.roles)),
            disabled=row.name in disabled,
        )
        for row in connection.execute(query)
    ]
