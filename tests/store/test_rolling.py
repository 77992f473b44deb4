"""Two versions of the program on one index: beside each other where the tables were added to only.

On SQLite one after the other: the way back to the version before is open as long.
"""

import contextlib
import threading
from datetime import UTC, datetime

import psycopg
import pytest
from sqlalchemy import text

from dicom_service.errors import SetupError
from dicom_service.store import Store, migrating
from dicom_service.store.backup import back_up, restore
from dicom_service.store.schema import VERSION
from tests.store.conftest import Kit
from tests.store.newer import NEXT, become_newer


@pytest.fixture
def kit(tmp_path, new_index):
    """Its tables do not stay: other tests get the database again."""
    kit = Kit(tmp_path / "data", new_index())
    yield kit
    kit.store.close()
    if kit.index_url:
        with psycopg.connect(kit.index_url, autocommit=True) as connection:
            connection.execute("DROP SCHEMA public CASCADE")
            connection.execute("CREATE SCHEMA public")


def moods(store) -> list[str]:
    with store._index.read() as connection:
        return list(connection.execute(text("SELECT mood FROM studies")).scalars())


@contextlib.contextmanager
def newer(kit, tmp_path, kind="expand"):
    with pytest.MonkeyPatch.context() as patch:
        become_newer(tmp_path / "newer", kind, patch.setattr)
        if not kit.index_url:
            kit.store.close()
        store = kit.open()
        yield store
    store.close()


def test_an_older_program_goes_on_with_tables_that_were_only_added_to(kit, tmp_path, caplog):
    kit.signed()
    with newer(kit, tmp_path) as beside:
        assert moods(beside) == ["calm"]
        if kit.index_url:  # the older one was never closed, and nothing of it was ended
            kit.image("1.5")
            kit.sign("addendum")
            assert beside.study(kit.study).late_objects == 1
    kit.restart()
    assert f"schema {NEXT}, this one knows {VERSION}" in caplog.text
    kit.image("1.6", study="1.2.4")
    kit.withdraw()
    assert kit.state() == "withdrawn"
    assert kit.store.audit_verify().why == ""
    assert moods(kit.store) == ["calm", "calm"]
    with newer(kit, tmp_path) as again:
        assert again.study(kit.study).state == "withdrawn"


def test_one_that_takes_something_away_keeps_the_older_program_out(kit, tmp_path):
    kit.image()
    with newer(kit, tmp_path, "contract"):
        if kit.index_url:
            with pytest.raises(SetupError, match=r"A newer version .* here too"):
                kit.image()
    with pytest.raises(SetupError, match="newer version of this program"):
        kit.open()


def test_an_older_program_copies_nothing_of_which_it_knows_a_part_only(
    kit, tmp_path, new_index, engine
):
    kit.image("1.1")
    with newer(kit, tmp_path):
        data, at = kit.folder, datetime.now(UTC)
        back_up(data, tmp_path / "backup", user="ida", at=at, index_url=kit.index_url)
    if engine == "sqlite":  # the whole file goes there and back
        back_up(data, tmp_path / "older", user="ida", at=at)
        restore(tmp_path / "older", tmp_path / "restored")
        with contextlib.closing(Store(tmp_path / "restored")) as store:
            assert moods(store) == ["calm"]
        return
    with pytest.raises(SetupError, match="a copy made here would lack it"):
        back_up(data, tmp_path / "older", user="ida", at=at, index_url=kit.index_url)


def test_nor_does_it_move_a_newer_backup_to_the_other_engine(tmp_path, postgres):
    kit = Kit(tmp_path / "data")
    kit.image("1.1")
    with newer(kit, tmp_path):
        back_up(kit.folder, tmp_path / "backup", user="ida", at=datetime.now(UTC))
    url = postgres.database()
    with pytest.raises(SetupError, match="a copy made here would lack it"):
        restore(tmp_path / "backup", tmp_path / "moved", url)
    postgres.give_back(url)


@pytest.mark.parametrize("engine", ["postgres"])
def test_tables_in_use_are_changed_as_soon_as_nobody_has_them(kit, tmp_path, monkeypatch):
    """A change that waits for one transaction would have all others wait behind it."""
    kit.image("1.1")
    tried, go = [], threading.Event()
    upgrade = migrating.upgrade

    def counted(connection):
        tried.append(1)
        upgrade(connection)

    monkeypatch.setattr(migrating, "upgrade", counted)
    with kit.store._index.read() as reading:
        reading.execute(text("SELECT count(*) FROM studies"))
        done = threading.Thread(target=lambda: go.set() or _open_newer(kit, tmp_path))
        done.start()
        go.wait(10)
        for number in range(30):
            kit.image(f"1.2.{number}")
            if len(tried) > 2:
                break
            go.clear()
            go.wait(0.1)
        assert len(tried) > 1
    done.join(60)
    assert moods(kit.store) == ["calm"]


@pytest.mark.parametrize("engine", ["postgres"])
def test_one_that_never_gets_them_says_so_and_has_changed_nothing(kit, tmp_path, monkeypatch):
    kit.image("1.1")
    monkeypatch.setattr(migrating, "PATIENCE_SECONDS", 1.0)
    with kit.store._index.read() as reading:
        reading.execute(text("SELECT count(*) FROM studies"))
        with pytest.raises(SetupError, match="Another node"), newer(kit, tmp_path):
            pass
    with kit.store._index.read() as connection:
        assert connection.execute(text("SELECT version FROM schema_version")).scalar() == VERSION


def _open_newer(kit, tmp_path):
    with newer(kit, tmp_path):
        pass
