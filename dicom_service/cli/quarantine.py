"""`sesamoid quarantine`: copies of objects whose UID was taken, and what is to become of them."""

import argparse
import getpass
import textwrap
from datetime import UTC, datetime
from typing import get_args

from dicom_service.errors import Refused
from dicom_service.node.conflicts import conflict, copy_header
from dicom_service.settings import Settings
from dicom_service.site import site_store
from dicom_service.store import Decision, Store


def arguments(parser: argparse.ArgumentParser) -> None:
    """Arguments of the command."""
    parser.add_argument(
        "action", nargs="?", default="list", choices=["list", "show", *get_args(Decision)]
    )
    parser.add_argument("number", nargs="?", type=int, help="of the copy, as the list has it")
    parser.add_argument("--reason", default="", help="kept in the audit trail")
    parser.add_argument("--all", action="store_true", help="list those decided about as well")


def run(options: argparse.Namespace, settings: Settings) -> int:
    """List, compare or decide; a node may be running meanwhile."""
    store = site_store(settings)
    try:
        if options.action == "list":
            return _list(store, every=options.all)
        if options.number is None:
            raise Refused(f"Say which copy: sesamoid quarantine {options.action} NUMBER.")
        if options.action == "show":
            return _show(store, options.number)
        return _decide(store, options)
    finally:
        store.close()


def _list(store: Store, *, every: bool) -> int:
    rows = store.quarantined(undecided=not every)
    if not rows:
        print("Nothing is in quarantine that waits for a decision.")
    for row in rows:
        print(f"{row.id:>5}  {row.received_at:%Y-%m-%d %H:%M}  from {row.source}")
        if row.site:
            print(f"       of the site {row.site}")
        print(f"       object {row.sop_instance_uid} of study {row.study_uid}")
        if row.decision:
            print(f"       {row.decision} by {row.decided_by}; {row.reason}".rstrip("; "))
    return 0


def _show(store: Store, number: int) -> int:
    found = conflict(store, number)
    print(f"Object {found.copy.sop_instance_uid} of study {found.copy.study_uid}")
    print(f"first : from {found.stored.source}, {found.stored.received_at:%Y-%m-%d %H:%M}")
    print(f"second: from {found.copy.source}, {found.copy.received_at:%Y-%m-%d %H:%M}")
    for difference in found.differences:
        print(f"{difference.tag} {difference.name}")
        for which, value in (("first", difference.first), ("second", difference.second)):
            print(textwrap.indent(f"{which:<7}{value}", "    "))
    if not found.differences:
        print("No attribute differs: only the way in which they are encoded.")
    return 0


def _decide(store: Store, options: argparse.Namespace) -> int:
    copy = store.quarantined_copy(options.number)
    header = copy_header(copy.path) if options.action == "replace" else None
    store.decide_quarantined(
        options.number,
        options.action,
        header=header,
        reason=options.reason,
        user=getpass.getuser(),
        at=datetime.now(UTC),
    )
    words = {"keep": "The first copy stays the object; the second one stays aside.",
             "replace": "The second copy is the object now; the first one is aside.",
             "discard": "The second copy is deleted."}  # fmt: skip
    print(words[options.action])
    return 0
