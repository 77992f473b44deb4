"""Looking after accounts: adding, changing, disabling, each with an entry in the audit trail."""

import json
from collections.abc import Sequence
from datetime import datetime

from sqlalchemy import Connection, delete, insert, select, update

from dicom_service.errors import NotFound, Refused
from dicom_service.store import audit
from dicom_service.store.index import retried, upsert
from dicom_service.store.model import UserRow
from dicom_service.store.schema_accounts import disabled_users, sessions, users
from dicom_service.store.times import to_us
from dicom_service.store.users import ACCOUNTS, Users, user_rows

ADMINISTRATOR = "administrator"


class Accounts(Users):
    """Accounts as an administrator sees them."""

    def users(self) -> list[UserRow]:
        """All accounts, disabled ones included, by name."""
        with self._index.read() as connection:
            return user_rows(connection, select(users).order_by(users.c.name))

    @retried
    def enrol(
        self,
        name: str,
        display: str,
        password_hash: str,
        roles: Sequence[str],
        *,
        by: str,
        at: datetime,
    ) -> None:
        """Add an account.

        Raises
        ------
        Refused
            The name is taken.
        """
        with self._index.write(ACCOUNTS) as connection:
            if connection.execute(select(users.c.name).where(users.c.name == name)).first():
                raise Refused(f"There is a user {name} already.")
            values = {"name": name, "display": display, "password_hash": password_hash}
            connection.execute(insert(users).values(**values, roles=json.dumps(list(roles))))
            detail = f"{name} as {' and '.join(roles)}"
            audit.note(connection, "user added", at_us=to_us(at), user=by, detail=detail)

    @retried
    def change_user(
        self,
        name: str,
        *,
        display: str | None = None,
        roles: Sequence[str] | None = None,
        disabled: bool | None = None,
        password_hash: str | None = None,
        by: str,
        at: datetime,
    ) -> UserRow:
        """Change an account; what is None stays. A new password and disabling end its sessions.

        Raises
        ------
        NotFound
            No such account.
        Refused
            No administrator would be left who can sign in.
        """
        with self._index.write(ACCOUNTS) as connection:
            before = _one(connection, name)
            values = {"display": display, "password_hash": password_hash}
            values["roles"] = None if roles is None else json.dumps(list(roles))
            given = {key: value for key, value in values.items() if value is not None}
            if given:
                connection.execute(update(users).where(users.c.name == name).values(**given))
            if disabled is not None:
                _disable(connection, name, disabled, by, at)
            if disabled or password_hash is not None:
                connection.execute(delete(sessions).where(sessions.c.user == name))
            after = _one(connection, name)
            _keep_an_administrator(connection)
            if password_hash is not None:
                audit.note(connection, "password changed", at_us=to_us(at), user=by, detail=name)
            if changes := _changes(before, after):
                detail = f"{name}: {changes}"
                audit.note(connection, "user changed", at_us=to_us(at), user=by, detail=detail)
        return after


def _one(connection: Connection, name: str) -> UserRow:
    found = user_rows(connection, select(users).where(users.c.name == name))
    if not found:
        raise NotFound(f"There is no user {name}.")
    return found[0]


def _disable(connection: Connection, name: str, disabled: bool, by: str, at: datetime) -> None:
    if not disabled:
        connection.execute(delete(disabled_users).where(disabled_users.c.name == name))
        return
    made = upsert(connection, disabled_users).values(name=name, by=by, at=to_us(at))
    connection.execute(made.on_conflict_do_nothing())


def _keep_an_administrator(connection: Connection) -> None:
    rows = user_rows(connection, select(users))
    if not any(ADMINISTRATOR in row.roles and not row.disabled for row in rows):
        raise Refused("Nobody could look after this node any more: keep one administrator.")


def _changes(before: UserRow, after: UserRow) -> str:
    said = []
    if before.display != after.display:
        said.append(f"name {after.display}")
    if before.roles != after.roles:
        said.append(f"roles {' and '.join(after.roles) or 'none'}")
    if before.disabled != after.disabled:
        said.append("disabled" if after.disabled else "enabled")
    return ", ".join(said)
