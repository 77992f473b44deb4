"""Looking after accounts: adding, changing, disabling, each with an entry in the audit trail."""

from collections.abc import Sequence
from datetime import datetime
from functools import partial

from sqlalchemy import Connection, delete, select, update

from dicom_service.errors import NotFound, Refused
from dicom_service.store import audit
from dicom_service.store.index import retried, upsert
from dicom_service.store.model import UserRow
from dicom_service.store.schema_accounts import disabled_users, sessions, user_sites, users
from dicom_service.store.times import to_us
from dicom_service.store.users import ACCOUNTS, Users, insert_user, put_roles, user_rows

ADMINISTRATOR = "administrator"


class Accounts(Users):
    """Accounts as an administrator sees them."""

    def users(self, sites: Sequence[str] | None = None) -> list[UserRow]:
        """Accounts, disabled ones included, by name; with sites only those with roles there."""
        query = select(users).order_by(users.c.name)
        if sites is not None:
            there = select(user_sites.c.user).where(user_sites.c.site.in_(sites))
            query = query.where(users.c.name.in_(there))
        with self._index.read() as connection:
            return user_rows(connection, query)

    @retried
    def enrol(
        self,
        name: str,
        display: str,
        password_hash: str,
        roles: Sequence[str],
        *,
        site: str = "",
        by: str,
        at: datetime,
    ) -> None:
        """Add an account with roles at one site.

        Raises
        ------
        Refused
            The name is taken.
        """
        with self._index.write(ACCOUNTS) as connection:
            insert_user(connection, name, display, password_hash)
            put_roles(connection, name, site, roles)
            detail = f"{name} as {' and '.join(roles)}" + (f" at {site}" if site else "")
            audit.note(connection, "user added", at_us=to_us(at), user=by, detail=detail, site=site)

    @retried
    def change_user(
        self,
        name: str,
        *,
        display: str | None = None,
        roles: Sequence[str] | None = None,
        disabled: bool | None = None,
        password_hash: str | None = None,
        site: str = "",
        by: str,
        at: datetime,
    ) -> UserRow:
        """Change an account; what is None stays. A new password and disabling end its sessions.

        Parameters
        ----------
        site
            Where the roles are those of.

        Raises
        ------
        NotFound
            No such account.
        Refused
            No administrator would be left who can sign in.
        """
        with self._index.write(ACCOUNTS) as connection:
            before, looked_after = _one(connection, name), _has_administrator(connection)
            values = {"display": display, "password_hash": password_hash}
            given = {key: value for key, value in values.items() if value is not None}
            if given:
                connection.execute(update(users).where(users.c.name == name).values(**given))
            if roles is not None:
                put_roles(connection, name, site, roles)
            if disabled is not None:
                _disable(connection, name, disabled, by, at)
            if disabled or password_hash is not None:
                connection.execute(delete(sessions).where(sessions.c.user == name))
            after = _one(connection, name)
            if looked_after and not _has_administrator(connection):
                raise Refused("Nobody could look after this node any more: keep one administrator.")
            note = partial(audit.note, connection, at_us=to_us(at), user=by, site=site)
            if password_hash is not None:
                note("password changed", detail=name)
            if changes := _changes(before, after, site):
                note("user changed", detail=f"{name}: {changes}")
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


def _has_administrator(connection: Connection) -> bool:
    rows = user_rows(connection, select(users))
    return any(ADMINISTRATOR in row.roles and not row.disabled for row in rows)


def _changes(before: UserRow, after: UserRow, site: str) -> str:
    said = []
    if before.display != after.display:
        said.append(f"name {after.display}")
    if before.at(site) != after.at(site):
        where = f" at {site}" if site else ""
        said.append(f"roles {' and '.join(after.at(site)) or 'none'}{where}")
    if before.disabled != after.disabled:
        said.append("disabled" if after.disabled else "enabled")
    return ", ".join(said)
