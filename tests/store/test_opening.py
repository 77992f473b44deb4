"""Opening, sweeping and closing a data folder."""

import os
import subprocess
import sys

import pytest
from sqlalchemy import update

from dicom_service.errors import SetupError
from dicom_service.store import Store
from dicom_service.store.schema import OLDEST, VERSION, schema_version


def test_a_second_node_on_the_same_folder_is_refused_by_name(sqlite_kit):
    with pytest.raises(SetupError, match="Another node is running") as refused:
        Store(sqlite_kit.folder)
    assert str(sqlite_kit.folder) in str(refused.value)
    assert "data_folder" in str(refused.value)


def test_a_second_process_is_refused_too_and_let_in_afterwards(sqlite_kit):
    open_it = (
        "from pathlib import Path; from dicom_service.store import Store; "
        f"Store(Path({str(sqlite_kit.folder)!r}))"
    )
    refused = subprocess.run(
        [sys.executable, "-c", open_it], capture_output=True, text=True, timeout=30
    )
    assert "Another node is running" in refused.stderr
    sqlite_kit.store.close()
    subprocess.run([sys.executable, "-c", open_it], check=True, timeout=30)


def test_a_command_may_look_beside_the_running_node_but_not_sweep(kit):
    kit.image()
    beside = kit.open(exclusive=False)
    assert len(beside.studies()) == 1
    with pytest.raises(SetupError):
        beside.sweep()
    beside.close()


def test_a_folder_that_cannot_be_made_is_a_sentence(tmp_path):
    (tmp_path / "file").write_text("")
    with pytest.raises(SetupError, match="cannot be used: Not a directory"):
        Store(tmp_path / "file" / "data")


def test_a_folder_that_cannot_be_written_is_a_sentence(tmp_path, monkeypatch):
    def denied(*_args, **_options):
        raise PermissionError(13, os.strerror(13))

    monkeypatch.setattr("pathlib.Path.touch", denied)
    with pytest.raises(SetupError, match="Permission denied") as refused:
        Store(tmp_path / "data")
    assert "Make it writable" in str(refused.value)


def test_a_folder_of_a_newer_version_is_left_alone(kit):
    kit.image()
    kit.store.close()
    with kit.store._index.write() as connection:
        connection.execute(update(schema_version).values(version=99, oldest=99))
    with pytest.raises(SetupError, match="newer version") as refused:
        kit.open()
    assert "schema 99" in str(refused.value)
    with pytest.raises(SetupError, match="newer version"):  # and the lock was given back
        kit.open()
    with kit.store._index.write() as connection:
        connection.execute(update(schema_version).values(version=VERSION, oldest=OLDEST))


def test_a_damaged_index_is_a_sentence(tmp_path):
    folder = tmp_path / "data"
    folder.mkdir()
    (folder / "index.sqlite").write_bytes(b"this is not a database, whatever it is" * 100)
    with pytest.raises(SetupError, match="damaged"):
        Store(folder)


def test_the_index_syncs_every_commit(sqlite_kit):
    with sqlite_kit.store._index.read() as connection:
        pragmas = [
            connection.exec_driver_sql(f"PRAGMA {name}").scalar()
            for name in ("journal_mode", "synchronous", "foreign_keys")
        ]
    assert pragmas == ["wal", 2, 1]


def test_the_sweep_finds_nothing_in_an_orderly_folder(kit):
    kit.signed()
    report = kit.restart().sweep()
    assert report.sentence == ""


def test_the_sweep_removes_half_received_objects(kit):
    (kit.store.incoming / "half.dcm").write_bytes(b"half")
    report = kit.store.sweep()
    assert report.temporary_files == 1
    assert "1 half-received" in report.sentence
    assert list(kit.store.incoming.iterdir()) == []


def test_the_sweep_moves_unknown_files_aside_and_deletes_none(kit):
    kit.image()
    folder = kit.folder / "blobs" / "ab" / "cd"
    folder.mkdir(parents=True)
    (folder / "abcd1234").write_bytes(b"who knows")
    report = kit.store.sweep()
    assert report.blobs_without_rows == 1
    assert (kit.folder / "set-aside" / "abcd1234").read_bytes() == b"who knows"


def test_an_object_that_lost_its_file_is_hidden_until_it_is_sent_again(kit):
    kit.image("1.1")
    kit.store.instances(kit.study)[0].path.unlink()
    report = kit.store.sweep()
    assert report.rows_without_blobs == 1
    assert "send these studies again" in report.sentence
    assert kit.store.instances(kit.study) == []
    assert kit.image("1.1") == "new"
    assert kit.store.instances(kit.study)[0].path.read_bytes() == b"pixels"
    assert kit.store.sweep().sentence == ""
