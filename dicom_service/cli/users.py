"""`sesamoid user`: the first user, and forgotten passwords."""

import argparse
import getpass
import sys
from datetime import UTC, datetime

from dicom_service.errors import Refused
from dicom_service.passwords import hash_password
from dicom_service.person_names import check_person_name
from dicom_service.settings import Settings
from dicom_service.site import site_store
from dicom_service.store import Store


def arguments(parser: argparse.ArgumentParser) -> None:
    """Arguments of the command."""
    add = parser.add_argument
    add("name")
    add("--display", help='name in the report, e.g. "Vreeland^Ida^^Dr"')
    add("--role", action="append", choices=["reader", "administrator", "device"],
        help="may be repeated")  # fmt: skip
    add("--site", help="the roles are at this site; of a user that there is, only they change")
    add("--no-password", action="store_true",
        help="signs in through the provider of [oidc] only")  # fmt: skip
    add("--password-stdin", action="store_true", help="read the password from standard input")


def run(options: argparse.Namespace, settings: Settings) -> int:
    """Add the user, or set a new password when there is one of that name."""
    store = site_store(settings)
    try:
        known = store.user(options.name)
        asked = known is None or options.site is None
        hashed = _password(options) if asked and not options.no_password else ""
        if known and options.site is not None:
            _give(store, settings, options)
        elif known:
            if not hashed:
                raise Refused(f"There is a user {options.name} already.")
            store.set_password_hash(options.name, hashed)
            _note(store, "password changed", options.name)
            print(f"{options.name} has a new password.")
        else:
            roles, place = options.role or ["reader"], _site(settings, options.site)
            check_person_name(options.display or options.name)
            store.add_user(options.name, options.display or options.name, hashed, roles, site=place)
            said = f"{' and '.join(roles)}{f' at {place}' if place else ''}"
            _note(store, "user added", f"{options.name} as {said}", place)
            print(f"{options.name} may sign in as {said}.")
    finally:
        store.close()
    return 0


def _give(store: Store, settings: Settings, options: argparse.Namespace) -> None:
    """Somebody who can sign in has these roles at a site from now on; none closes it to them."""
    place, roles = _site(settings, options.site), options.role or []
    store.set_site_roles(options.name, place, roles)
    said = f"{' and '.join(roles) or 'nobody'} at {place or 'the site without a name'}"
    _note(store, "roles changed", f"{options.name} as {said}", place)
    print(f"{options.name} is {said} now.")


def _site(settings: Settings, asked: str | None) -> str:
    if asked and asked not in settings.site_ids:
        names = ", ".join(settings.site_ids) or "none"
        raise Refused(f"There is no site {asked}; the settings have: {names}.")
    return asked or ""


def _password(options: argparse.Namespace) -> str:
    if options.password_stdin:
        password = sys.stdin.readline().rstrip("\n")
    else:
        password = getpass.getpass(f"Password for {options.name}: ")
    try:
        return hash_password(password)
    except ValueError as error:
        raise Refused(str(error)) from error


def _note(store: Store, event: str, detail: str, site: str = "") -> None:
    by = f"{getpass.getuser()} at the command line"
    store.audit(event, user=by, detail=detail, at=datetime.now(UTC), site=site)
