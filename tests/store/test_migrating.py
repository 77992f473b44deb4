"""A data folder that an earlier version wrote is taken over whole, or left as it was."""

import contextlib
import importlib
import itertools
import re
import sqlite3
from pathlib import Path

import pytest
from alembic import op
from alembic.autogenerate import compare_metadata
from alembic.migration import MigrationContext
from sqlalchemy import select

from dicom_service.errors import SetupError
from dicom_service.store import ListQuery, Store, migrating
from dicom_service.store.columns import metadata
from dicom_service.store.schema import OLDEST, VERSION, instances
from tests.store.conftest import Kit

OLDER = sorted((Path(__file__).parent / "older").glob("*.sql"))
"""Indexes as earlier versions of the program wrote them: a signed study, one that arrives, a copy
in quarantine, a user, the audit trail."""

FULL_TEXT = "study_found"
"""The engine makes tables of its own for a full-text index."""


def of_older(folder: Path, written: Path) -> None:
    folder.mkdir()
    with contextlib.closing(sqlite3.connect(folder / "index.sqlite")) as base:
        base.executescript(written.read_text("utf-8"))
        blobs = [
            name
            for table in ("instances", "quarantine")
            for (name,) in base.execute(f"SELECT blob FROM {table}")
        ]
    for name in blobs:
        file = folder / "blobs" / name[:2] / name[2:4] / name
        file.parent.mkdir(parents=True, exist_ok=True)
        file.write_bytes(b"bytes")


def tables(folder: Path) -> dict[str, str]:
    with contextlib.closing(sqlite3.connect(folder / "index.sqlite")) as base:
        rows = base.execute("SELECT name, sql FROM sqlite_master WHERE sql IS NOT NULL").fetchall()
    return dict(rows)


@pytest.fixture(params=OLDER, ids=lambda file: file.stem)
def older(request, tmp_path):
    of_older(tmp_path / "older", request.param)
    return tmp_path / "older"


@pytest.fixture
def taken_over(older):
    kit = Kit(older)
    kit._numbers = itertools.count(100)  # the earlier version had its own UIDs
    yield kit
    kit.store.close()


def test_everything_that_an_earlier_version_kept_is_read_back(taken_over):
    store = taken_over.store
    assert store.sweep().sentence == ""
    assert [row.study_uid for row in store.studies()] == ["1.2.4", "1.2.3"]
    assert [row.state for row in store.studies()] == ["arriving", "signed"]
    assert [row.study_uid for row in store.listed(ListQuery(text="1.2.3"), 9)] == ["1.2.3"]
    assert store.reading("1.2.3")[1].impression == "Sound."
    assert [i.sop_instance_uid for i in store.instances("1.2.3")][:2] == ["1.1", "1.2"]
    (document,) = store.documents("1.2.3")
    assert store.content(document.sop_instance_uid).template.revision == 1
    assert [row.state for row in store.outbox("1.2.3")] == ["owed"]
    assert [row.sop_instance_uid for row in store.quarantined()] == ["1.2"]
    assert store.user("ida").display == "Vreeland^Ida"
    events = [row.event for row in store.audit_rows()]
    assert {"different bytes", "final signed", "node stopped"} <= set(events)
    check = store.audit_verify()
    assert (check.why, check.count) == ("", len(events))


def test_and_the_work_goes_on_in_it(taken_over):
    kit = taken_over
    kit.image("1.77")
    assert kit.store.study("1.2.3").late_objects == 1
    kit.sign("addendum")
    kit.withdraw()
    assert kit.state() == "withdrawn"
    assert kit.store.audit_verify().why == ""


def test_a_program_that_knows_only_the_older_digests_refuses_it_before_there_is_a_newer_one(
    taken_over, monkeypatch
):
    kit = taken_over
    folder = kit.store.folder
    kit.store.close()
    monkeypatch.setattr("dicom_service.store.migrating.VERSION", 12)
    with pytest.raises(SetupError, match="newer version of this program"):
        Store(folder)
    monkeypatch.undo()
    kit.store = kit.open()
    kit.image("1.77")
    with kit.store._index.read() as connection:
        digests = connection.execute(select(instances.c.digest)).scalars().all()
    assert {digest.startswith("blake3:") for digest in digests} == {False, True}


def test_its_tables_are_then_those_of_a_new_folder(older, tmp_path):
    for folder in (older, tmp_path / "new"):
        store = Store(folder)
        with store._index.read() as connection:
            context = MigrationContext.configure(
                connection,
                opts={"include_name": lambda name, *_: not (name or "").startswith(FULL_TEXT)},
            )
            found = compare_metadata(context, metadata)
        assert [change for change in found if not change[0].endswith("_index")] == []
        store.close()
    new = tables(tmp_path / "new")
    assert tables(older).keys() == new.keys()
    made = [name for name, sql in new.items() if sql.startswith("CREATE INDEX")]
    assert {name: tables(older)[name] for name in made} == {name: new[name] for name in made}
    with contextlib.closing(sqlite3.connect(older / "index.sqlite")) as base:
        assert base.execute("SELECT version_num FROM alembic_version").fetchall() == [
            (f"{VERSION:04d}",)
        ]
    assert set(metadata.tables) <= new.keys()


def test_a_change_of_tables_that_fails_in_the_middle_leaves_the_folder_as_it_was(
    older, monkeypatch
):
    before = tables(older)
    made = op.create_table

    def failing(name, *columns):
        if name == "leases":
            raise OSError("the power went")
        return made(name, *columns)

    with monkeypatch.context() as patch:
        patch.setattr(op, "create_table", failing)
        with pytest.raises(OSError, match="power"):
            Store(older)
    assert tables(older) == before
    Store(older).close()
    assert "leases" in tables(older)


REVISIONS = sorted(migrating.REVISIONS[0].glob("v[0-9]*.py"))
ADDS = {"add_column", "create_table", "create_index", "execute", "get_context"}


def test_each_revision_says_whether_the_program_before_can_do_without_it():
    kinds = {}
    for file in REVISIONS:
        number = int(file.stem.removeprefix("v"))
        module = importlib.import_module(f"dicom_service.store.migrations.versions.{file.stem}")
        kinds[number] = getattr(module, "kind", "contract")  # before 14 nobody asked
        assert kinds[number] in ("expand", "contract")
        if kinds[number] == "expand":
            used = set(re.findall(r"\bop\.(\w+)", file.read_text()))
            assert used <= ADDS, f"{file.name} does more than add"
    assert max(kinds) == VERSION
    assert max(n for n, kind in kinds.items() if kind == "contract") == OLDEST
