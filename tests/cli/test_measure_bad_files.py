"""`sesamoid measure` on files that cannot be measured, as a person runs it: in a shell."""

import json
import subprocess
import sys
from pathlib import Path

import pytest
from pydicom import Dataset

from dicom_service.cli import main
from tests.measure.bad_files import BAD, ONLY_AS_FILES, Bad, carpus, check, made, points_of
from tests.web.conftest import file_of

FOREVER = 120
"""Seconds after which a command counts as hanging; each takes two or three."""
ALL = BAD | ONLY_AS_FILES


def sesamoid(*words: str) -> subprocess.CompletedProcess[str]:
    command = [sys.executable, "-m", "dicom_service", "measure", *words]
    return subprocess.run(command, capture_output=True, text=True, timeout=FOREVER, check=False)


def words_for(folder: Path, bad: Bad, *more: str) -> list[str]:
    """What is typed after `sesamoid measure`; the file is written."""
    found = bad.made()
    path = folder / "image.dcm"
    path.write_bytes(found if isinstance(found, bytes) else file_of(found))
    points = [word for x, y in points_of(bad) for word in ("--point", f"{x},{y}")]
    size = ["--true-mm", "25"] if bad.kind == "ball" else []
    return [str(path), bad.kind, *points, *size, *more]


def asked(folder: Path, bad: Bad, *more: str) -> subprocess.CompletedProcess[str]:
    return sesamoid(*words_for(folder, bad, *more))


FEW = ("burnt-out skin", "a colour image", "a text")
"""Each in a process of its own at every run; the rest follow one another in one process, and have
their own in a long run."""

ONE_AFTER_ANOTHER = """
import contextlib, io, json, sys
from dicom_service.cli import main
found = []
for words in json.load(sys.stdin):
    out, err = io.StringIO(), io.StringIO()
    with contextlib.redirect_stdout(out), contextlib.redirect_stderr(err):
        code = main(["measure", *words])
    found.append([code, out.getvalue(), err.getvalue()])
json.dump(found, sys.stdout)
"""


def check_answer(name: str, picture: Path, code: int, out: str, err: str) -> None:
    bad = ALL[name]
    assert "Traceback" not in err
    assert out, err
    check(name, bad, json.loads(out))
    assert code == (0 if bad.given else 1)
    # either there is a picture, or it is said that there is none
    assert picture.exists() != ("No picture" in err), err


@pytest.fixture(scope="module")
def answers(tmp_path_factory):
    """Of every bad file that is not among the few: its picture, exit code, output and errors."""
    names = [name for name in ALL if name not in FEW]
    folders = {name: tmp_path_factory.mktemp("bad") for name in names}
    asked = [words_for(folders[n], ALL[n], "--png", str(folders[n] / "found.png")) for n in names]
    done = subprocess.run([sys.executable, "-c", ONE_AFTER_ANOTHER], input=json.dumps(asked),
                          capture_output=True, text=True, timeout=FOREVER, check=False)  # fmt: skip
    assert done.returncode == 0, done.stderr
    found = json.loads(done.stdout)
    return {n: (folders[n] / "found.png", *one) for n, one in zip(names, found, strict=True)}


@pytest.mark.parametrize("name", [name for name in ALL if name not in FEW])
def test_a_bad_file_among_others_is_answered_with_a_sentence_and_no_wrong_number(answers, name):
    check_answer(name, *answers[name])


@pytest.mark.parametrize(
    "name", [*FEW, *(pytest.param(n, marks=pytest.mark.long) for n in ALL if n not in FEW)]
)
def test_a_bad_file_is_answered_with_a_sentence_and_no_wrong_number(tmp_path, name):
    picture = tmp_path / "found.png"
    done = asked(tmp_path, ALL[name], "--png", str(picture))
    check_answer(name, picture, done.returncode, done.stdout, done.stderr)


def test_a_control_that_cannot_be_measured_is_said_with_its_reason(tmp_path):
    control = tmp_path / "control.dcm"
    control.write_text("no image")

    def image() -> Dataset:
        return made(carpus().pixels)

    sound = Bad(image, "swelling_profile", points=lambda: (carpus().middle,))
    done = asked(tmp_path, sound, "--control", str(control))
    found = json.loads(done.stdout)
    assert "control could not be measured: The file is no DICOM file" in found["why"]


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (["joint_space"], "needs 2 points, not 0"),
        (["joint_space", "--point", "1,2,3", "--point", "4,5"], "COLUMN,ROW"),
        (["joint_space", "--point", "nan,2", "--point", "4,5"], "COLUMN,ROW"),
        (["joint_space", "--point=-3,2", "--point", "4,5"], "outside the image"),
        (["limb_measurement"], "no measurement"),
        (["limb_measurement", "--name", "aLDFA"], "needs 4 points"),
        (["limb_measurement", "--name", "tibial_torsion"], "two radiographs do not show it"),
        (["ball"], "between 2 and 1000 mm"),
        (["ruler", "--point", "10,10", "--point", "90,90", "--true-mm", "inf"], "mm"),
        (["joint_space", "--png", "/nowhere/x.png"], "points"),
        (["swelling_profile", "--breed", "x" * 99], "64"),
        (["fat_plane"] + 13 * ["--point", "1,1"], "12"),
    ],
)  # fmt: skip
def test_a_wrong_request_is_answered_with_a_sentence(tmp_path, capsys, words, said):
    path = tmp_path / "image.dcm"
    path.write_bytes(file_of(made()))
    assert main(["measure", str(path), *words]) == 1
    answer = capsys.readouterr().err
    assert said in answer
    assert answer.startswith("sesamoid: ")


@pytest.mark.parametrize("name", ["", "nothing.dcm"])
def test_a_folder_and_a_file_that_is_not_there_are_said(tmp_path, capsys, name):
    assert main(["measure", str(tmp_path / name), "ball"]) == 1
    assert "is not a file" in capsys.readouterr().err
