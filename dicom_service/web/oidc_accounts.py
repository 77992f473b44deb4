"""Which account a person of the provider has here, and with which roles."""

from collections.abc import Mapping
from typing import Any

from dicom_service.errors import NotAllowed, Refused
from dicom_service.person_names import check_person_name
from dicom_service.settings import Oidc, Settings
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
    store, settings = site().store, site().settings
    known = store.person(claims["iss"], claims["sub"])
    name = known or _name(claims, settings.oidc)
    given = _roles(claims, settings)
    row = store.user(name)
    if known is None and row is None and settings.oidc.make_accounts and any(given.values()):
        row = _made(name, _display(claims, name), given)
    if row is None:
        raise NotAllowed("You have no account on this node: ask an administrator for one.")
    if row.disabled:
        raise NotAllowed("Your account on this node is disabled: ask an administrator.")
    if known is None:
        try:
            store.tie(name, claims["iss"], claims["sub"])
        except Refused as error:
            raise NotAllowed(str(error)) from error
    _give(row, given)
    found = store.user(name)
    if found is None:
        raise NotAllowed("The account was removed.")
    if not any(found.at(place) for place in ("", *settings.site_ids)):
        raise NotAllowed("The provider gives you no role on this node: ask an administrator.")
    return found


def _made(name: str, display: str, given: Mapping[str, tuple[str, ...]]) -> UserRow | None:
    """A new account with these roles."""
    site().store.add_user(name, display, "", ())
    for place, roles in given.items():
        site().store.set_site_roles(name, place, roles)
    _note("user added", name, given)
    return site().store.user(name)


def _give(row: UserRow, given: Mapping[str, tuple[str, ...]]) -> None:
    """The roles that the provider says, where they are others than before."""
    changed = {place: roles for place, roles in given.items() if set(roles) != set(row.at(place))}
    for place, roles in changed.items():
        site().store.set_site_roles(row.name, place, roles)
    if changed:
        _note("roles changed", row.name, changed)


def _note(event: str, name: str, given: Mapping[str, tuple[str, ...]]) -> None:
    said = [
        f"{' and '.join(roles) or 'nobody'}" + (f" at {place}" if place else "")
        for place, roles in given.items()
    ]
    detail = f"{name} as {', '.join(said)}"
    site().store.audit(event, user=name, detail=detail, at=site().clock())


def _name(claims: Mapping[str, Any], settings: Oidc) -> str:
    name = claims.get(settings.name_claim)
    if not isinstance(name, str) or not name.strip() or not name.isprintable():
        raise NotAllowed(f"The provider does not say what you are called ({settings.name_claim}).")
    if len(name) > LONGEST:
        raise NotAllowed(f"The name of your account is longer than {LONGEST} characters.")
    return name.strip()


def _roles(claims: Mapping[str, Any], settings: Settings) -> dict[str, tuple[str, ...]]:
    """Roles by groups, at each site where the provider has a say in them."""
    oidc = settings.oidc
    said = claims.get(oidc.roles_claim, ()) if oidc.roles_claim else ()
    groups = {said} if isinstance(said, str) else set()
    if isinstance(said, list | tuple):
        groups = {group for group in said if isinstance(group, str)}
    places = [("", oidc.readers, oidc.administrators)]
    places += [(one.id, one.readers, one.administrators) for one in settings.sites]
    return {
        place: tuple(
            role
            for role, names in (("reader", readers), ("administrator", administrators))
            if groups & set(names)
        )
        for place, readers, administrators in places
        if oidc.roles_claim and (readers or administrators)
    }


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
