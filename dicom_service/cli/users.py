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


def run(options: argparse.Namespace, settings: Settings) -> int:
    """Add the user, or set a new password when there is one of that name."""
    hashed = "" if options.no_password else _password(options)
    store = site_store(settings)
    try:
        if store.user(options.name):
            if not hashed:
                raise Refused(f"There is a user {options.name} already.")
            store.set_password_hash(options.name, hashed)
            _note(store, "password changed", options.name)
            print(f"{options.name} has a new password.")
        else:
            roles = options.role or ["reader"]
            check_person_name(options.display or options.name)
            store.add_user(options.name, options.display or options.name, hashed, roles)
            _note(store, "user added", f"{options.name} as {' and '.join(roles)}")
            print(f"{options.name} may sign in as {' and '.join(roles)}.")
    finally:
        store.close()
    return 0


def _password(options: argparse.Namespace) -> str:
    if options.password_stdin:
        password = sys.stdin.readline().rstrip("\n")
    else:
        password = getpass.getpass(f"Password for {options.name}: ")
    try:
        return hash_password(password)
    except ValueError as error:
        raise Refused(str(error)) from error


def _note(store: Store, event: str, detail: str) -> None:
    by = f"{getpass.getuser()} at the command line"
    store.audit(event, user=by, detail=detail, at=datetime.now(UTC))
