"""The commands of `sesamoid`, as IT staff call them."""

import io
import re
import sys
import time
from pathlib import Path

import pydicom
import pytest

from dicom_service import report, validators
from dicom_service.cli import main, selftest
from dicom_service.cli.main import _parser
from dicom_service.passwords import password_fits
from dicom_service.store import Store
from test_pacs.clinic import Clinic
from test_pacs.sending import send
from test_pacs.studies import small_study

README = Path(__file__).parents[2].joinpath("README.md").read_text("utf-8")


def _commands() -> set[str]:
    text = _parser().format_help()
    return set(re.findall(r"^    ([a-z]+)\b", text[text.index("COMMAND") :], flags=re.M))


def test_the_readme_lists_every_command():
    listed = set(re.findall(r"^\| `sesamoid ([a-z]+)", README, flags=re.M))
    assert listed == _commands()


@pytest.mark.peer
def test_samples_are_valid_and_read_back(tmp_path, program):
    for name in ("dciodvfy", "dsrdump"):
        program(name)
    assert main(["--data", str(tmp_path / "data"), "samples", str(tmp_path / "out")]) == 0
    files = {file.stem: file for file in (tmp_path / "out").glob("*.dcm")}
    assert {"template", "draft", "final", "addendum", "measurements", "image-1"} <= set(files)
    assert {"correction", "withdrawal", "key-images", "presentation-1", "report-pdf"} <= set(files)
    assert (tmp_path / "out" / "report.hl7").read_bytes().startswith(b"MSH|")
    assert {f: validators.outside_problems(p) for f, p in files.items() if "image" not in f} == {
        f: [] for f in files if "image" not in f
    }
    for kind in ("template", "draft", "final", "addendum", "correction"):
        assert report.read(pydicom.dcmread(files[kind])).kind == kind


def test_mrrt_writes_a_page_for_every_region(tmp_path, capsys):
    assert main(["--data", str(tmp_path / "data"), "mrrt", str(tmp_path / "out")]) == 0
    written = capsys.readouterr().out.split()
    assert sorted(written) == sorted(str(file) for file in (tmp_path / "out").iterdir())
    assert (tmp_path / "out" / "dog-carpus.html").read_text("utf-8").startswith("<!DOCTYPE html>")


def test_export_says_that_there_is_no_such_study(tmp_path, capsys):
    Store(tmp_path / "data").close()
    assert main(["--data", str(tmp_path / "data"), "export", "1.2.3", str(tmp_path / "out")]) == 1
    assert "No study 1.2.3 is on this node." in capsys.readouterr().err
    assert not (tmp_path / "out").exists()


def test_selftest_does_the_whole_job_and_times_each_step(capsys):
    assert main(["selftest"]) == 0
    said = capsys.readouterr().out
    assert len(re.findall(r"^ *\d+\.\d{3} s  ", said, flags=re.M)) == 7
    assert "The whole job was done." in said


def test_selftest_fails_when_a_step_fails(capsys, monkeypatch):
    def broken(*_args):
        raise RuntimeError("the archive holds something else")

    monkeypatch.setattr(selftest, "_read_back", broken)
    assert main(["selftest"]) == 1
    assert "FAILED  read the report back" in capsys.readouterr().out


def test_user_makes_the_first_user_and_later_changes_the_password(tmp_path, monkeypatch, capsys):
    command = ["--data", str(tmp_path), "user", "ida", "--password-stdin"]
    for password in ("the first password", "the second password"):
        monkeypatch.setattr(sys, "stdin", io.StringIO(password + "\n"))
        assert main([*command, "--display", "Vreeland^Ida^^Dr"]) == 0
        store = Store(tmp_path)
        row = store.user("ida")
        store.close()
        assert row is not None
        assert row.display == "Vreeland^Ida^^Dr"
        assert password_fits(row.password_hash, password)
        assert row.roles == ("reader",)


@pytest.mark.parametrize(
    ("password", "display", "sentence"),
    [
        ("short", "Vreeland^Ida", "at least 8 characters"),
        ("long enough now", "a" * 65, "at most 64 characters"),
        ("long enough now", "a^b^c^d^e^f", "family^given"),
    ],
)
def test_an_unusable_user_is_refused_in_a_sentence(
    tmp_path, monkeypatch, capsys, password, display, sentence
):
    monkeypatch.setattr(sys, "stdin", io.StringIO(password + "\n"))
    command = ["--data", str(tmp_path), "user", "ida", "--password-stdin", "--display", display]
    assert main(command) == 1
    assert sentence in capsys.readouterr().err


def test_template_writes_the_prepared_document_while_the_node_runs(tmp_path, capsys):
    images = small_study()
    uid = str(images[0].StudyInstanceUID)
    with Clinic(tmp_path, options={"settle_seconds": 0.3}) as clinic:
        send(images, clinic.service.dimse_port, clinic.settings.ae_title)
        deadline = time.monotonic() + 30
        while clinic.service.store.preparation(uid) is None:
            assert time.monotonic() < deadline
            time.sleep(0.05)
        file = tmp_path / "template.dcm"
        data = str(clinic.settings.data_folder)
        assert main(["--data", data, "template", uid, "--output", str(file)]) == 0
    document = pydicom.dcmread(file)
    flags = (document.CompletionFlag, document.VerificationFlag, document.PreliminaryFlag)
    assert flags == ("PARTIAL", "UNVERIFIED", "PRELIMINARY")
    assert report.read(document).template.items


def test_template_of_an_unknown_study_is_a_sentence(tmp_path, capsys):
    assert main(["--data", str(tmp_path), "template", "1.2.3"]) == 1
    assert "No study 1.2.3" in capsys.readouterr().err
