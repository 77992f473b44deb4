"""The demonstration studies: complete, correct, and openly invented."""

import subprocess
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pydicom
import pytest

from test_pacs import studies
from test_pacs.phantom.beam import Projection
from test_pacs.phantom.objects import orientation
from test_pacs.studies import (
    BAD_STUDIES,
    DemoStudy,
    compressed,
    demo_studies,
    late_image,
    small_study,
    write_demo,
)

LEAVING = {"radius", "ulna", "mc2", "mc3", "mc4", "p3_3", "navicular", "DIP3"}
"""Bones whose middle lies beyond the field."""


@pytest.fixture(scope="module")
def demo(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, list[DemoStudy]]:
    folder = tmp_path_factory.mktemp("demo")
    return folder, write_demo(folder, fresh=False)


def errors_of(dciodvfy: str, path: Path) -> list[str]:
    run = subprocess.run([dciodvfy, str(path)], capture_output=True, text=True, check=False)
    lines = (run.stdout + run.stderr).splitlines()
    assert any("CR" in line or "DX" in line for line in lines), lines  # it did recognise the object
    return [line for line in lines if line.startswith("Error")]


@pytest.mark.peer
@pytest.mark.long
def test_dciodvfy_finds_no_error_in_any_demo_file(demo, program: Callable[[str], str]) -> None:
    files = sorted(demo[0].rglob("*.dcm"))
    assert len(files) == 10
    for path in files:
        assert errors_of(program("dciodvfy"), path) == [], path


@pytest.mark.peer
@pytest.mark.parametrize("kind", ["CR", "DX"])
@pytest.mark.parametrize("species", ["dog", "cat", "horse"])
def test_dciodvfy_finds_no_error_in_a_small_study(
    kind: str, species: str, tmp_path: Path, program: Callable[[str], str]
) -> None:
    for number, image in enumerate(small_study(kind=kind, species=species)):
        path = tmp_path / f"{number}.dcm"
        image.save_as(path, enforce_file_format=True)
        assert errors_of(program("dciodvfy"), path) == []


def test_every_image_says_that_it_is_invented(demo) -> None:
    for study in demo[1]:
        for image in study.datasets:
            assert "INVENTED DEMO DATA" in image.PatientComments
            assert "INVENTED DEMO DATA" in image.StudyDescription


def test_the_studies_show_what_they_promise(demo) -> None:
    by_name = {study.name: study for study in demo[1]}
    lame, pup = by_name["lame labrador"], by_name["growing shepherd"]
    assert [image.Modality for image in lame.datasets] == ["CR", "CR"]
    assert [image.Modality for image in pup.datasets] == ["DX", "DX", "DX"]
    assert all("fracture_p1_4" in truth.image for truth in lame.truths)
    assert all("physis_radius" in truth.image for truth in pup.truths)
    horse = by_name["spurred horse"]
    assert {image.PatientSpeciesDescription for image in horse.datasets} == {"Equus caballus"}
    assert all("lesion_0" in truth.image for truth in horse.truths)
    assert pup.datasets[0].PatientAge == "005M"
    assert pup.datasets[0].PatientSexNeutered == "UNALTERED"


def test_images_fill_their_twelve_bits_and_show_bone_bright_when_displayed(demo) -> None:
    for study in demo[1]:
        for image, truth in zip(study.datasets, study.truths, strict=True):
            pixels = image.pixel_array.astype(int)
            if image.PhotometricInterpretation == "MONOCHROME1":
                pixels = 4095 - pixels
            column, row = (int(v) for v in truth.image.get("radial_carpal") or truth.image["p1_3"])
            bone = np.median(pixels[row - 5 : row + 6, column - 5 : column + 6])
            air = np.median(pixels)
            assert bone > air + 1000
            assert pixels.max() == 4095
            inside_the_shutter = pixels[60:-60, 60:-60]
            assert (inside_the_shutter == 0).mean() < 0.01


def test_landmarks_lie_inside_their_images(demo) -> None:
    for study in demo[1]:
        for image, truth in zip(study.datasets, study.truths, strict=True):
            inside = [
                0 <= column < image.Columns and 0 <= row < image.Rows
                for name, (column, row) in truth.image.items()
                if name not in LEAVING
            ]
            assert all(inside)


def test_fresh_studies_have_new_uids_and_fixed_ones_repeat() -> None:
    # UIDs only; the pixels are covered elsewhere, so the small study stands for both
    one, two = small_study(), small_study()
    assert one[0].StudyInstanceUID != two[0].StudyInstanceUID
    assert small_study(seed="a")[1].SOPInstanceUID == small_study(seed="a")[1].SOPInstanceUID
    uids = {image.SOPInstanceUID for image in small_study(views=("DPa", "ML", "LM"))}
    assert len(uids) == 3


@pytest.mark.long
def test_the_fixed_demo_is_the_same_in_every_run(demo) -> None:
    studies._exposed.cache_clear()  # computed anew, as in another run
    again = demo_studies(fresh=False)
    for before, after in zip(demo[1], again, strict=True):
        for first, second in zip(before.datasets, after.datasets, strict=True):
            assert first == second


@pytest.mark.parametrize(
    ("azimuth", "side", "turns", "expected"),
    [
        (0.0, "R", 0, ["M", "DI"]),  # looking at the dorsum of a right foot, lateral is to our left
        (0.0, "L", 0, ["L", "DI"]),
        (-90.0, "R", 0, ["PA", "DI"]),  # from medial at a right limb, it faces to our left
        (-90.0, "L", 0, ["D", "DI"]),
        (90.0, "R", 0, ["D", "DI"]),  # from lateral
        (45.0, "L", 0, ["LPA", "DI"]),
        (0.0, "L", 1, ["PR", "L"]),
        (0.0, "L", 2, ["M", "PR"]),
        (-90.0, "R", 3, ["DI", "D"]),
        (45.0, "L", 2, ["MD", "PR"]),
    ],
)
def test_patient_orientation_names_right_and_bottom_of_the_image(
    azimuth: float, side: str, turns: int, expected: list[str]
) -> None:
    assert orientation(Projection(azimuth, side), turns) == expected


@pytest.mark.parametrize("side", ["L", "R"])
@pytest.mark.parametrize("view", ["DPa", "ML", "LM"])
def test_orientation_agrees_with_where_the_truth_puts_the_bones(side: str, view: str) -> None:
    from test_pacs.studies import _small_image  # the images behind small_study, with their truth

    truth = _small_image("dog", view, side).truth
    right = orientation(_small_image("dog", view, side).plan.projection)[0]
    lateral = np.sign(truth.image["mc5"][0] - truth.image["mc2"][0])
    dorsal = np.sign(truth.image["radial_carpal"][0] - truth.image["accessory_carpal"][0])
    assert {"L": lateral, "M": -lateral, "D": dorsal, "PA": -dorsal}[right] == 1
    assert truth.image["p3_3"][1] > truth.image["radial_carpal"][1]


@pytest.mark.parametrize("method", ["RLE", "JPEG-LS", "JPEG 2000"])
def test_compressed_copies_hold_the_same_pixels_in_fewer_bytes(method: str) -> None:
    image = small_study()[0]
    copy = compressed(image, method)
    assert copy.file_meta.TransferSyntaxUID != image.file_meta.TransferSyntaxUID
    assert copy.SOPInstanceUID == image.SOPInstanceUID
    assert len(copy.PixelData) < len(image.PixelData)
    assert np.array_equal(copy.pixel_array, image.pixel_array)


@pytest.mark.parametrize("name", BAD_STUDIES)
def test_bad_studies_can_be_written_and_read_again(name: str, tmp_path: Path) -> None:
    images = BAD_STUDIES[name]()
    assert images
    for number, image in enumerate(images):
        image.save_as(tmp_path / f"{number}.dcm", enforce_file_format=True)
        assert pydicom.dcmread(tmp_path / f"{number}.dcm").SOPInstanceUID == image.SOPInstanceUID


def test_bad_studies_are_bad_in_the_way_they_say() -> None:
    assert "PixelData" not in BAD_STUDIES["no pixel data"]()[0]
    assert "StudyInstanceUID" not in BAD_STUDIES["no study uid"]()[0]
    assert len(BAD_STUDIES["one view"]()) == 1
    assert len({image.SOPInstanceUID for image in BAD_STUDIES["ten views"]()}) == 10
    assert {image.ImageLaterality for image in BAD_STUDIES["contradicting side"]()} == {"L", "R"}
    assert "<script>" in str(BAD_STUDIES["script in names"]()[0].PatientName)
    assert "PatientSpeciesCodeSequence" not in BAD_STUDIES["unknown species"]()[0]
    assert BAD_STUDIES["no view"]()[0].ViewPosition == ""


def test_a_late_image_belongs_to_the_same_study_and_series() -> None:
    study = small_study(side="L")
    late = late_image(study)
    assert late.StudyInstanceUID == study[0].StudyInstanceUID
    assert late.SOPInstanceUID not in {image.SOPInstanceUID for image in study}
    assert late.ImageLaterality == "L"
