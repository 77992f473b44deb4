"""Which account a person of the provider has here, and with which roles."""

from collections.abc import Mapping
from typing import Any

from dicom_service.errors import NotAllowed, Refused
from dicom_service.person_names import check_person_name
from dicom_service.settings import Oidc
from dicom_service.store import UserRow
from dicom_service.web.site import site

LONGEST = 64


def account_of(claims: Mapping[str, Any]) -> UserRow:
    """The account of whom these claims are about, its roles as the provider has them now.

    Raises
    ------
    NotAllowed
        They have none, and none is to be made; or no role.
    """
    store, settings = site().store, site().settings.oidc
    known = store.person(claims["iss"], claims["sub"])
    name = known or _name(claims, settings)
    roles = _roles(claims, settings)
    row = store.user(name)
    if known is None and row is None and settings.make_accounts and roles:
        display = _display(claims, name)
        store.add_user(name, display, "", roles)
        store.audit(
            "user added", user=name, detail=f"{name} as {' and '.join(roles)}", at=site().clock()
        )
        row = store.user(name)
    if row is None:
        raise NotAllowed("You have no account on this node: ask an administrator for one.")
    if row.disabled:
        raise NotAllowed("Your account on this node is disabled: ask an administrator.")
    if known is None:
        try:
            store.tie(name, claims["iss"], claims["sub"])
        except Refused as error:
            raise NotAllowed(str(error)) from error
    if roles is not None and set(roles) != set(row.roles):
        store.set_roles(name, row.display, roles)
        changed = f"{name} as {' and '.join(roles) or 'nobody'}"
        store.audit("roles changed", user=name, detail=changed, at=site().clock())
    if not (row.roles if roles is None else roles):
        raise NotAllowed("The provider gives you no role on this node: ask an administrator.")
    found = store.user(name)
    if found is None:
        raise NotAllowed("The account was removed.")
    return found


def _name(claims: Mapping[str, Any], settings: Oidc) -> str:
    name = claims.get(settings.name_claim)
    if not isinstance(name, str) or not name.strip() or not name.isprintable():
        raise NotAllowed(f"The provider does not say what you are called ({settings.name_claim}).")
    if len(name) > LONGEST:
        raise NotAllowed(f"The name of your account is longer than {LONGEST} characters.")
    return name.strip()


def _roles(claims: Mapping[str, Any], settings: Oidc) -> tuple[str, ...] | None:
    """Roles by groups; None where the provider has no say in them."""
    if not settings.roles_claim or not (settings.readers or settings.administrators):
        return None
    given = claims.get(settings.roles_claim, ())
    groups = {given} if isinstance(given, str) else set()
    if isinstance(given, list | tuple):
        groups = {group for group in given if isinstance(group, str)}
    wanted = (("reader", settings.readers), ("administrator", settings.administrators))
    return tuple(role for role, names in wanted if groups & set(names))


def _display(claims: Mapping[str, Any], name: str) -> str:
    """The name for reports: family and given name if they can stand in one, else the account's."""
    parts = [claims.get("family_name"), claims.get("given_name")]
    if all(isinstance(part, str) and part.strip() and "^" not in part for part in parts):
        display = "^".join(str(part).strip() for part in parts)
    else:
        display = str(claims.get("name") or name)
    for candidate in (display, name):
        try:
            check_person_name(candidate)
        except Refused:
            continue
        return candidate
    return "Not stated"
