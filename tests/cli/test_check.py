"""`sesamoid check`: one table for people, JSON for programs, a status for scripts."""

import json
from pathlib import Path

import pydicom
import pytest

from dicom_service import checking, validators
from dicom_service.cli import main


@pytest.fixture(scope="module")
def samples(tmp_path_factory) -> Path:
    folder = tmp_path_factory.mktemp("samples")
    assert main(["--data", str(folder / "data"), "samples", str(folder / "out")]) == 0
    return folder / "out"


@pytest.fixture
def alone(monkeypatch) -> None:
    """Only our own rules, as on a machine without any validator."""
    monkeypatch.setattr(validators, "available", lambda: ())


KNOWN_TO = {
    "measurements.dcm": {"dsrdump", "DicomSRValidator"},
    "withdrawal.dcm": {"dsrdump", "DicomSRValidator"},
    "presentation-1.dcm": {"dcmpschk"},
    "image-1.dcm": set(),
}


@pytest.mark.peer
def test_each_file_is_shown_to_the_validators_that_know_it(samples, program, capsys):
    for name in ("dciodvfy", "dsrdump", "java"):
        program(name)
    files = [str(samples / name) for name in KNOWN_TO]
    assert main(["check", "--json", *files]) == 0
    rows = json.loads(capsys.readouterr().out)
    assert {row["verdict"] for row in rows} == {"good"}
    checkers = {Path(f).name: {r["checker"] for r in rows if r["file"] == f} for f in files}
    everywhere = {"sesamoid", "dciodvfy"}
    assert checkers == {name: everywhere | others for name, others in KNOWN_TO.items()}


def test_a_validator_that_is_not_installed_is_said(samples, alone, capsys):
    assert main(["check", str(samples / "final.dcm")]) == 0
    said = capsys.readouterr().out
    assert "It is not installed here." in said
    assert "1 file, 0 problems." in said


def test_a_report_is_compared_with_its_measurements_when_both_are_given(samples, alone, tmp_path):
    measured = pydicom.dcmread(samples / "measurements.dcm")
    for group in measured.ContentSequence[-1].ContentSequence:
        for item in group.ContentSequence:
            if item.ValueType == "UIDREF":
                item.UID = "1.2.3"
    changed = tmp_path / "measurements.dcm"
    measured.save_as(changed)
    final = samples / "final.dcm"
    assert [r.verdict for r in checking.check([final]) if r.checker == "sesamoid"] == ["good"]
    said = [r.sentence for r in checking.check([final, changed]) if r.verdict == "problem"]
    assert any("tracked as 1.2.3 is missing in the report" in sentence for sentence in said)


def test_the_images_tell_the_side(samples, alone, tmp_path):
    for name in ("image-1.dcm", "image-2.dcm"):
        image = pydicom.dcmread(samples / name)
        image.ImageLaterality = "L"
        image.save_as(tmp_path / name)
    rows = checking.check([samples / "final.dcm", *tmp_path.glob("*.dcm")])
    assert any("says side R, but its image shows side L" in row.sentence for row in rows)


def _cut(source: Path, target: Path) -> None:
    target.write_bytes(source.read_bytes()[:3000])


def _text(_: Path, target: Path) -> None:
    target.write_text("not DICOM at all")


def _nothing(_: Path, target: Path) -> None:
    target.touch()


def _no_class(source: Path, target: Path) -> None:
    dataset = pydicom.dcmread(source)
    del dataset.SOPClassUID
    dataset.save_as(target)


def _other_types(source: Path, target: Path) -> None:
    dataset = pydicom.dcmread(source)
    del dataset.ContentSequence[3].ValueType
    dataset.save_as(target)


@pytest.mark.parametrize(
    ("damage", "sentence"),
    [
        (_cut, ""),
        (_text, "no DICOM file"),
        (_nothing, "no DICOM file"),
        (_no_class, "what kind of object"),
        (_other_types, "(no type)"),
    ],
)
def test_any_file_gets_a_sentence(samples, alone, tmp_path, capsys, damage, sentence):
    target = tmp_path / "odd.dcm"
    damage(samples / "final.dcm", target)
    assert main(["check", str(target)]) == 1
    said = " ".join(capsys.readouterr().out.split())
    assert "PROBLEM" in said
    assert sentence in said


def test_an_animal_is_told_completely_in_any_object(samples, alone, tmp_path):
    image = pydicom.dcmread(samples / "image-1.dcm")
    del image.PatientSpeciesCodeSequence, image.PatientSpeciesDescription
    image.save_as(tmp_path / "image.dcm")
    (row,) = [r for r in checking.check([tmp_path / "image.dcm"]) if r.verdict == "problem"]
    assert "its species is missing" in row.sentence
