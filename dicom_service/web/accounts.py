"""Accounts as an administrator looks after them."""

from typing import Any, Literal

from flask import Blueprint, Response, jsonify
from pydantic import Field, ValidationError, field_validator

from dicom_service.base import Frozen
from dicom_service.errors import NotAllowed, NotFound, Refused
from dicom_service.passwords import hash_password
from dicom_service.person_names import check_person_name
from dicom_service.store import UserRow
from dicom_service.web.admin import administered, administrator, site_asked
from dicom_service.web.problems import WrongContent, wrong_json
from dicom_service.web.session import json_body
from dicom_service.web.site import site

Role = Literal["reader", "administrator", "device"]

blueprint = Blueprint("accounts", __name__, url_prefix="/api/admin/users")


class NewAccount(Frozen):
    """Somebody who is to sign in, or a machine that is to call."""

    name: str = Field(min_length=1, max_length=64)
    display: str = Field(default="", max_length=64)
    roles: tuple[Role, ...] = Field(min_length=1, max_length=3)
    password: str = Field(min_length=8, max_length=1024)

    @field_validator("name")
    @classmethod
    def _one_word(cls, name: str) -> str:
        if not name.isprintable() or any(c.isspace() or c == "/" for c in name):
            raise ValueError("a name to sign in with has no spaces and no '/'")
        return name


class AccountChange(Frozen):
    """What is to be another; what is left out stays."""

    display: str | None = Field(default=None, max_length=64)
    roles: tuple[Role, ...] | None = Field(default=None, max_length=3)
    disabled: bool | None = None
    password: str | None = Field(default=None, min_length=8, max_length=1024)


@blueprint.get("")
def accounts() -> Response:
    """All accounts, without their passwords."""
    administrator()
    where = site_asked()
    rows = site().store.users(None if administered() is None else (where,))
    return jsonify({"rows": [_shown(row, where) for row in rows]})


@blueprint.post("")
def enrol() -> Response:
    """Add an account."""
    by = administrator().user.name
    try:
        asked = NewAccount.model_validate(json_body())
    except ValidationError as error:
        raise wrong_json(error, "account") from error
    where = site_asked()
    if administered() is not None and not asked.name.endswith(f"@{where}"):
        # A name that is free or taken at another site must not be told from one that is not.
        raise Refused(f"Names of accounts of this site end in @{where}: {asked.name}@{where}.")
    display = asked.display.strip() or asked.name
    check_person_name(display)
    store = site().store
    store.enrol(
        asked.name,
        display,
        hash_password(asked.password),
        list(dict.fromkeys(asked.roles)),
        site=where,
        by=by,
        at=site().clock(),
    )
    made = store.user(asked.name)
    return jsonify(_shown(made, where) if made else {})


@blueprint.patch("/<name>")
def change(name: str) -> Response:
    """Change name, roles or password of an account, or whether it may be used."""
    by = administrator().user.name
    try:
        asked = AccountChange.model_validate(json_body())
    except ValidationError as error:
        raise wrong_json(error, "change") from error
    where = site_asked()
    _check_theirs(name, asked, where)
    if asked.roles == () and not where:
        raise WrongContent("The change is wrong at roles: name at least one.")
    gone = asked.roles is not None and "administrator" not in asked.roles
    if name == by and (asked.disabled or gone):
        raise Refused("You cannot take your own access away: another administrator can.")
    if asked.display is not None:
        check_person_name(asked.display)
    changed = site().store.change_user(
        name,
        display=asked.display,
        roles=None if asked.roles is None else list(dict.fromkeys(asked.roles)),
        disabled=asked.disabled,
        password_hash=None if asked.password is None else hash_password(asked.password),
        site=where,
        by=by,
        at=site().clock(),
    )
    return jsonify(_shown(changed, where))


def _check_theirs(name: str, asked: AccountChange, where: str) -> None:
    """Whoever looks after a site changes roles there, and all else of accounts of no other site.

    Raises
    ------
    NotFound
        The account has no role at the site; the same where there is no such account.
    NotAllowed
        It is of another site as well.
    """
    mine, row = administered(), site().store.user(name)
    if mine is None:
        return
    if row is None or where not in row.sites:
        raise NotFound(f"There is no user {name}.")
    about_all = (asked.display, asked.disabled, asked.password)
    wider = row.roles or not set(row.sites).issubset(mine)
    if wider and any(given is not None for given in about_all):
        raise NotAllowed(f"Only whoever looks after the node may change {name}, but for roles.")


def _shown(row: UserRow, where: str) -> dict[str, Any]:
    shown = row.model_dump(mode="json", exclude={"password_hash"})
    if not site().settings.sites:
        del shown["sites"]
    if administered() is None:
        return shown
    roles = shown["sites"].get(where, [])
    return shown | {"roles": roles, "sites": {where: roles}}
