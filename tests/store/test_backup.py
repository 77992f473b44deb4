"""Backup and the way back: consistent while everything goes on, and nothing silently wrong."""

import shutil
import threading
from datetime import UTC, datetime

import pytest

from dicom_service.cli import main
from dicom_service.errors import DifferentBytes, SetupError, StorageFull
from dicom_service.store import Store
from dicom_service.store.backup import back_up, restore
from tests.hostile.invariants import broken, unfinished
from tests.hostile.job import Job, Plan

NOW = datetime(2026, 1, 2, tzinfo=UTC)


def _job(folder, lines, studies=3):
    store = Store(folder)
    return store, Job(store, 5, lines.append, studies)


def test_a_backup_made_at_any_moment_of_the_work_restores_to_what_was_promised(tmp_path):
    lines: list[str] = []
    store, job = _job(tmp_path / "data", lines)
    done = threading.Event()
    kept: list[tuple[int, list[str]]] = []

    def back_up_again_and_again():
        while not done.is_set():
            told = list(lines)
            back_up(tmp_path / "data", tmp_path / "backup", user="ada", at=NOW)
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
    first = back_up(kit.folder, tmp_path / "b", user="ada", at=NOW)
    kit.image("1.2", b"two" * 1000)
    second = back_up(kit.folder, tmp_path / "b", user="ada", at=NOW)
    assert (first.objects, first.copied, second.objects, second.copied) == (1, 1, 2, 1)
    assert kit.store.audit_rows()[0].event == "backup made"


def test_what_was_discarded_leaves_the_backup_too(kit, tmp_path):
    kit.image("1.1", b"first")
    with pytest.raises(DifferentBytes):
        kit.image("1.1", b"second")
    assert back_up(kit.folder, tmp_path / "b", user="ada", at=NOW).objects == 2
    (copy,) = kit.store.quarantined()
    kit.store.decide_quarantined(copy.id, "discard", user="ada", at=NOW)
    assert back_up(kit.folder, tmp_path / "b", user="ada", at=NOW).objects == 1
    assert sum(1 for f in (tmp_path / "b" / "blobs").rglob("*") if f.is_file()) == 1


def test_an_object_that_changed_on_the_disk_is_not_backed_up_as_if_it_were_good(kit, tmp_path):
    kit.image("1.1", b"as received")
    kit.store.instances(kit.study)[0].path.write_bytes(b"rotten bits")
    with pytest.raises(SetupError, match="not what was received"):
        back_up(kit.folder, tmp_path / "b", user="ada", at=NOW)
    assert not (tmp_path / "b" / "index.sqlite").exists()


def test_a_backup_that_lost_an_object_does_not_restore_silently(kit, tmp_path):
    kit.image("1.1", b"as received")
    back_up(kit.folder, tmp_path / "b", user="ada", at=NOW)
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
    back_up(kit.folder, backup, user="ada", at=NOW)
    change(backup, new)
    with pytest.raises(SetupError, match=words):
        restore(backup, new)


def test_a_full_backup_disk_leaves_the_backup_before(kit, tmp_path, monkeypatch):
    kit.image("1.1", b"one")
    back_up(kit.folder, tmp_path / "b", user="ada", at=NOW)
    before = (tmp_path / "b" / "index.sqlite").read_bytes()
    kit.image("1.2", b"two")

    def full(*_):
        raise OSError(28, "No space left on device")

    with monkeypatch.context() as patch:
        patch.setattr("shutil.copyfile", full)
        with pytest.raises(StorageFull):
            back_up(kit.folder, tmp_path / "b", user="ada", at=NOW)
    assert (tmp_path / "b" / "index.sqlite").read_bytes() == before


def test_the_commands_back_up_beside_a_running_node_and_restore(kit, tmp_path, capsys):
    kit.signed()
    (kit.folder / "device-uid").write_text("2.25.7")
    assert main(["--data", str(kit.folder), "backup", str(tmp_path / "b")]) == 0
    assert "holds 2 objects" in capsys.readouterr().out
    assert main(["--data", str(kit.folder), "backup", str(kit.folder / "b")]) == 1
    assert "would be lost with it" in capsys.readouterr().err
    assert main(["--data", str(tmp_path / "new"), "restore", str(tmp_path / "b")]) == 0
    assert "each checked" in capsys.readouterr().out
    assert (tmp_path / "new" / "device-uid").read_text() == "2.25.7"
    restored = Store(tmp_path / "new")
    assert restored.study(kit.study).state == "signed"
    assert [row.state for row in restored.outbox(kit.study)] == ["owed"]
    assert len(restored.instances(kit.study)) == 2
    restored.close()
