"""Accounts as an administrator looks after them."""

from typing import Any, Literal

from flask import Blueprint, Response, jsonify
from pydantic import Field, ValidationError, field_validator

from dicom_service.base import Frozen
from dicom_service.errors import Refused
from dicom_service.passwords import hash_password
from dicom_service.person_names import check_person_name
from dicom_service.store import UserRow
from dicom_service.web.admin import administrator
from dicom_service.web.problems import wrong_json
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
    roles: tuple[Role, ...] | None = Field(default=None, min_length=1, max_length=3)
    disabled: bool | None = None
    password: str | None = Field(default=None, min_length=8, max_length=1024)


@blueprint.get("")
def accounts() -> Response:
    """All accounts, without their passwords."""
    administrator()
    return jsonify({"rows": [_shown(row) for row in site().store.users()]})


@blueprint.post("")
def enrol() -> Response:
    """Add an account."""
    by = administrator().user.name
    try:
        asked = NewAccount.model_validate(json_body())
    except ValidationError as error:
        raise wrong_json(error, "account") from error
    display = asked.display.strip() or asked.name
    check_person_name(display)
    store = site().store
    store.enrol(
        asked.name,
        display,
        hash_password(asked.password),
        list(dict.fromkeys(asked.roles)),
        by=by,
        at=site().clock(),
    )
    made = store.user(asked.name)
    return jsonify(_shown(made) if made else {})


@blueprint.patch("/<name>")
def change(name: str) -> Response:
    """Change name, roles or password of an account, or whether it may be used."""
    by = administrator().user.name
    try:
        asked = AccountChange.model_validate(json_body())
    except ValidationError as error:
        raise wrong_json(error, "change") from error
    if name == by and (
        asked.disabled or "administrator" not in (asked.roles or ("administrator",))
    ):
        raise Refused("You cannot take your own access away: another administrator can.")
    if asked.display is not None:
        check_person_name(asked.display)
    changed = site().store.change_user(
        name,
        display=asked.display,
        roles=None if asked.roles is None else list(dict.fromkeys(asked.roles)),
        disabled=asked.disabled,
        password_hash=None if asked.password is None else hash_password(asked.password),
        by=by,
        at=site().clock(),
    )
    return jsonify(_shown(changed))


def _shown(row: UserRow) -> dict[str, Any]:
    return row.model_dump(mode="json", exclude={"password_hash"})
