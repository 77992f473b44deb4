"""The next version of the program: the same, with one revision of the tables more.

It is this program that says that it knows one version more; what a later one changes is invented.
"""

from collections.abc import Callable
from pathlib import Path
from typing import Literal

from dicom_service.store import migrating, schema
from dicom_service.store import postgres as engine_of
from dicom_service.store.schema import OLDEST, VERSION

NEXT = VERSION + 1
_REVISION = f'''"""Invented."""

from alembic import op
from sqlalchemy import Column, Text

revision, down_revision = "{NEXT:04d}", "{VERSION:04d}"
kind = "%s"


def upgrade() -> None:
    op.add_column("studies", Column("mood", Text, nullable=False, server_default="calm"))
    op.add_column("outbox", Column("mood", Text, nullable=False, server_default="calm"))
    op.create_table("moods", Column("mood", Text, primary_key=True))
    op.create_index("studies_of_mood", "studies", ["mood"])
    op.execute("UPDATE schema_version SET version = {NEXT}")
'''
Kind = Literal["expand", "contract"]
Set = Callable[[object, str, object], None]


def become_newer(folder: Path, kind: Kind, set_: Set = setattr) -> None:
    """Make this process one of the next version.

    Parameters
    ----------
    folder
        For the file of its revision.
    set_
        A test that goes on as itself gives `monkeypatch.setattr`.
    """
    folder.mkdir(exist_ok=True)
    (folder / f"v{NEXT:04d}.py").write_text(_REVISION % kind)
    set_(migrating, "REVISIONS", [*migrating.REVISIONS, folder])
    oldest = OLDEST if kind == "expand" else NEXT
    for module in (migrating, engine_of, schema):
        for name, value in (("VERSION", NEXT), ("OLDEST", oldest)):
            if hasattr(module, name):
                set_(module, name, value)
