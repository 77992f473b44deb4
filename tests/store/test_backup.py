"""Backup and the way back: consistent while everything goes on, and nothing silently wrong."""

import shutil
import threading
from datetime import UTC, datetime

import pytest
from sqlalchemy import select

from dicom_service.cli import main
from dicom_service.errors import DifferentBytes, SetupError, StorageFull
from dicom_service.store import Store, backup
from dicom_service.store.backup import back_up, restore
from dicom_service.store.moving import moved_tables
from tests.hostile.invariants import broken, unfinished
from tests.hostile.job import Job, Plan
from tests.store.conftest import Kit
from tests.store.journalling import take, there, there_now

NOW = datetime(2026, 1, 2, tzinfo=UTC)


def _job(folder, url, lines, studies=3):
    store = Store(folder, index_url=url)
    return store, Job(store, 5, lines.append, studies)


def _backed_up(kit, to):
    return back_up(kit.folder, to, user="ada", at=NOW, index_url=kit.index_url)


def _main(kit, *words, url=None):
    """A command, with the settings of the node."""
    with pytest.MonkeyPatch.context() as patch:
        patch.setenv("SESAMOID_INDEX_URL", kit.index_url if url is None else url)
        return main(list(words))


def test_a_backup_made_at_any_moment_of_the_work_restores_to_what_was_promised(tmp_path, new_index):
    lines: list[str] = []
    url = new_index()
    store, job = _job(tmp_path / "data", url, lines)
    done = threading.Event()
    kept: list[tuple[int, list[str]]] = []

    def back_up_again_and_again():
        while not done.is_set():
            told = list(lines)
            data, backup = tmp_path / "data", tmp_path / "backup"
            back_up(data, backup, user="ada", at=NOW, index_url=url)
            # The index may know of more than was promised before, and so does the archive.
            told += [line for line in lines[len(told) :] if line.startswith("taken")]
            shutil.copytree(tmp_path / "backup", tmp_path / f"copy-{len(kept)}")
            kept.append((len(kept), told))

    thread = threading.Thread(target=back_up_again_and_again)
    thread.start()
    job.run()
    done.set()
    thread.join()
    store.close()
    assert kept
    plans = [Plan(5, number) for number in range(3)]
    for number, told in kept[:: max(len(kept) // 4, 1)]:
        restored = tmp_path / f"restored-{number}"
        restore(tmp_path / f"copy-{number}", restored)
        assert broken(restored, plans, told) == []
    after, again = Store(restored), list(told)
    Job(after, 5, again.append, 3).run()  # and the work goes on from there
    after.close()
    assert broken(restored, plans, again) + unfinished(restored, plans, again) == []


def test_the_next_backup_copies_only_what_is_new(kit, tmp_path):
    kit.image("1.1", b"one" * 1000)
    first = _backed_up(kit, tmp_path / "b")
    kit.image("1.2", b"two" * 1000)
    second = _backed_up(kit, tmp_path / "b")
    assert (first.objects, first.copied, second.objects, second.copied) == (1, 1, 2, 1)
    assert kit.store.audit_rows()[0].event == "backup made"


def test_what_was_discarded_leaves_the_backup_too(kit, tmp_path):
    kit.image("1.1", b"first")
    with pytest.raises(DifferentBytes):
        kit.image("1.1", b"second")
    assert _backed_up(kit, tmp_path / "b").objects == 2
    (copy,) = kit.store.quarantined()
    kit.store.decide_quarantined(copy.id, "discard", user="ada", at=NOW)
    assert _backed_up(kit, tmp_path / "b").objects == 1
    assert sum(1 for f in (tmp_path / "b" / "blobs").rglob("*") if f.is_file()) == 1


def test_an_object_that_changed_on_the_disk_is_not_backed_up_as_if_it_were_good(kit, tmp_path):
    kit.image("1.1", b"as received")
    kit.store.instances(kit.study)[0].path.write_bytes(b"rotten bits")
    with pytest.raises(SetupError, match="not what was received"):
        _backed_up(kit, tmp_path / "b")
    assert not (tmp_path / "b" / "index.sqlite").exists()


def test_a_backup_that_lost_an_object_does_not_restore_silently(kit, tmp_path):
    kit.image("1.1", b"as received")
    _backed_up(kit, tmp_path / "b")
    (blob,) = [f for f in (tmp_path / "b" / "blobs").rglob("*") if f.is_file()]
    blob.write_bytes(b"something")
    with pytest.raises(SetupError, match="not what was received"):
        restore(tmp_path / "b", tmp_path / "new")


@pytest.mark.parametrize(
    ("change", "words"),
    [
        (lambda b, d: (d / "x").write_text(""), "is not empty"),
        (lambda b, d: (b / "index.sqlite").unlink(), "There is no backup"),
    ],
)
def test_nothing_is_overwritten_and_nothing_is_made_up(kit, tmp_path, change, words):
    backup, new = tmp_path / "b", tmp_path / "new"
    new.mkdir()
    _backed_up(kit, backup)
    change(backup, new)
    with pytest.raises(SetupError, match=words):
        restore(backup, new)


def test_a_full_backup_disk_leaves_the_backup_before(kit, tmp_path, monkeypatch):
    kit.image("1.1", b"one")
    _backed_up(kit, tmp_path / "b")
    before = (tmp_path / "b" / "index.sqlite").read_bytes()
    kit.image("1.2", b"two")

    def full(*_):
        raise OSError(28, "No space left on device")

    with monkeypatch.context() as patch:
        patch.setattr("shutil.copyfile", full)
        with pytest.raises(StorageFull):
            _backed_up(kit, tmp_path / "b")
    assert (tmp_path / "b" / "index.sqlite").read_bytes() == before


def test_a_backup_that_is_broken_off_leaves_all_of_the_one_before(
    sqlite_kit, tmp_path, monkeypatch
):
    """Also what only the journal had, which is in the backup's journal."""

    def broken_off(*_):
        raise StorageFull("There is no room.")

    kit, to = sqlite_kit, tmp_path / "backup"
    kit.store.use_journal(1 << 20, every=0)
    take(kit, "1.1", b"first")
    take(kit, "1.2", b"second")
    _backed_up(kit, to)
    assert len(there_now(kit)) == 2  # both are worked off, and the journal's are not copied again
    take(kit, "1.3", b"third")
    with monkeypatch.context() as patch:
        patch.setattr(backup, "_copy_all", broken_off)
        with pytest.raises(StorageFull):
            _backed_up(kit, to)
    restore(to, tmp_path / "again")
    objects = {"1.1": b"first", "1.2": b"second", "1.3": b"third"}
    assert there(kit, tmp_path / "again") == objects
    _backed_up(kit, to)
    restore(to, tmp_path / "once more")
    assert there(kit, tmp_path / "once more") == objects
    assert len(list((to / "journal").iterdir())) == 1


def test_nothing_leaves_a_backup_before_its_new_index_is_durable(kit, tmp_path, monkeypatch):
    to, calls = tmp_path / "backup", []
    sync, remove = backup.sync_folder, backup.Blobs.remove
    kit.prior()
    _backed_up(kit, to)
    kit.store.drop_images(kit.study, [i.sop_instance_uid for i in kit.store.instances(kit.study)])
    monkeypatch.setattr(backup, "sync_folder", lambda folder: (calls.append(folder), sync(folder)))
    monkeypatch.setattr(
        backup.Blobs, "remove", lambda self, name: (calls.append("removed"), remove(self, name))
    )
    _backed_up(kit, to)
    assert calls.index(to) < calls.index("removed")


def test_the_commands_back_up_beside_a_running_node_and_restore(kit, new_index, tmp_path, capsys):
    kit.signed()
    (kit.folder / "device-uid").write_text("2.25.7")
    assert _main(kit, "--data", str(kit.folder), "backup", str(tmp_path / "b")) == 0
    assert "holds 2 objects" in capsys.readouterr().out
    assert _main(kit, "--data", str(kit.folder), "backup", str(kit.folder / "b")) == 1
    assert "would be lost with it" in capsys.readouterr().err
    url, new = new_index(), str(tmp_path / "new")
    assert _main(kit, "--data", new, "restore", str(tmp_path / "b"), url=url) == 0
    assert "each checked" in capsys.readouterr().out
    assert (tmp_path / "new" / "device-uid").read_text() == "2.25.7"
    restored = Store(tmp_path / "new", index_url=url)
    assert restored.study(kit.study).state == "signed"
    assert [row.state for row in restored.outbox(kit.study)] == ["owed"]
    assert len(restored.instances(kit.study)) == 2
    restored.close()


def _rows(store):
    """Everything that an index holds but what is only of that index."""
    with store._index.read() as connection:
        return {
            table.name: sorted(map(tuple, connection.execute(select(table))), key=repr)
            for table in moved_tables()
        }


def test_one_nodes_data_move_to_the_other_engine_and_back(kit, engine, postgres, tmp_path):
    kit.signed()
    kit.image("1.77", b"late")
    with pytest.raises(DifferentBytes):
        kit.image("1.77", b"other")
    kit.store.add_user("ida", "Vreeland^Ida", "hash", ["reader"])
    kit.store.prefer("ida", {"language": "de"})
    for other in range(8):
        kit.image(study=f"1.2.5.{other}")
    there = postgres.database() if engine == "sqlite" else ""
    kit.store.close()
    folder, url, found = kit.folder, kit.index_url, []
    for step, (folder_after, url_after) in enumerate(
        [(tmp_path / "moved", there), (tmp_path / "back", "")]
    ):
        back_up(folder, tmp_path / f"b{step}", user="ada", at=NOW, index_url=url)
        restore(tmp_path / f"b{step}", folder_after, url_after)
        folder, url = folder_after, url_after
        store = Store(folder, index_url=url)
        assert store.sweep().sentence == ""
        assert store.audit_verify().why == ""
        kit.folder, kit.store, kit.index_url = folder, store, url
        found.append(_rows(store))
        # The work goes on, with numbers after those that were moved.
        kit.image(f"1.88.{step}")
        kit.image(f"1.89.{step}", study=f"1.2.4.{step}", patient_name="Quimby^Juno")
        assert [row.study_uid for row in store.studies(text="juno")][:1] == [f"1.2.4.{step}"]
        store.close()
    before, after = found
    for name in before.keys() - {"studies", "outbox"}:
        assert set(before[name]) <= set(after[name]), name
    assert len(after["instances"]) == len(before["instances"]) + 2
    assert len(after["studies"]) == len(before["studies"]) + 1
    if there:
        postgres.give_back(there)


def test_a_restoration_into_an_index_that_is_in_use_is_refused(postgres, tmp_path):
    kit = Kit(tmp_path / "data", postgres.database())
    kit.image("1.1")
    kit.store.close()
    _backed_up(kit, tmp_path / "b")
    with pytest.raises(SetupError, match="is not empty"):
        restore(tmp_path / "b", tmp_path / "new", kit.index_url)
    assert kit.restart().studies()[0].images == 1
    kit.store.close()
    postgres.give_back(kit.index_url)
