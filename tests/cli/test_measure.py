"""`sesamoid measure`: every kind as JSON and as a picture, the same numbers as on the node."""

import json
from pathlib import Path
from typing import get_args

import numpy as np
import pytest
from PIL import Image

from dicom_service.cli import main
from dicom_service.measure import Picture
from dicom_service.measure.request import Kind
from test_pacs.phantom.bench import Bench, FatPlane
from tests.measure.conftest import (
    ball_picture,
    shoot_bench,
    shoot_carpus,
    shoot_fat,
    shoot_fracture,
)
from tests.measure.test_implant import ends, screw
from tests.web.conftest import file_of, image

Points = tuple[tuple[float, float], ...]


def written(folder: Path, pic: Picture, name: str = "image") -> Path:
    """The picture as a DICOM file whose pixels are the size that a ball on it would give."""
    low, high = float(pic.values.min()), float(pic.values.max())
    pixels = np.round((pic.values - low) / (high - low) * 4095).astype(np.uint16)
    made = image(pixels, PixelSpacing=[pic.size[1], pic.size[0]],
                 PixelSpacingCalibrationType="FIDUCIAL")  # fmt: skip
    path = folder / f"{name}.dcm"
    path.write_bytes(file_of(made))
    return path


def fractured(azimuth: float) -> tuple[Picture, Points]:
    shot, points = shoot_fracture(Bench(gap=1.0, plate=0), azimuth)
    return shot.pic, points


def shown(kind: str, name: str = "") -> tuple[Picture, Points]:
    """A picture on which this can be measured, and where it is clicked."""
    if kind in ("swelling_profile", "limb_axis"):
        shot = shoot_carpus()
        return shot.pic, (shot.middle,) if kind == "swelling_profile" else ()
    if kind == "fat_plane":
        shot, points = shoot_fat(FatPlane())
        return shot.pic, points
    if kind == "implant":
        return screw(), tuple(ends(30.0, seed=1))
    if kind == "ball":
        return ball_picture(25), ()
    if kind in ("fracture_angulation", "limb_measurement", "shaft_axis"):
        pic, shafts = fractured(0.0)
        return pic, shafts[:2] if kind == "shaft_axis" else shafts
    shot = shoot_bench(Bench(gap=2.0, plate=0 if kind == "lucent_line" else 0.8))
    column, row = shot.middle
    if kind in ("joint_space", "lucent_line"):
        return shot.pic, ((column - 30, row), (column + 30, row))
    return shot.pic, ((column, row - 130), (column, row - 30))


@pytest.mark.parametrize("kind", get_args(Kind))
def test_every_kind_is_json_and_an_annotated_picture(tmp_path, capsys, kind):
    pic, points = shown(kind)
    file, png = written(tmp_path, pic), tmp_path / "found.png"
    more = ["--png", str(png), *(w for x, y in points for w in ("--point", f"{x},{y}"))]
    if kind == "limb_measurement":
        more += ["--name", "theta", "--species", "dog", "--breed", "Maltese"]
    if kind in ("ball", "ruler"):
        more += ["--true-mm", "25"]
    if kind == "fracture_angulation":
        more += ["--control", str(written(tmp_path, fractured(90.0)[0], "across"))]
        more += [w for x, y in points for w in ("--control-point", f"{x},{y}")]
    assert main(["measure", str(file), kind, *more]) == 0
    found = json.loads(capsys.readouterr().out)
    assert found["kind"] == kind
    assert found["method"].startswith("sesamoid.")
    assert found["refusal"] == ""
    assert found["numbers"][0]["plus_minus"] is not None or kind == "limb_axis"
    picture = np.asarray(Image.open(png).convert("RGB")).astype(int)
    drawn = np.abs(picture[..., 0] - picture[..., 2]) > 40
    assert drawn[: pic.values.shape[0]].any(), "nothing is drawn on the image"
    if kind == "fracture_angulation":
        assert found["numbers"][0]["id"] == "true_angle"
    if kind == "limb_measurement":
        assert "small non-chondrodystrophic" in found["why"]


def test_a_ball_on_the_image_gives_another_measurement_its_scale(tmp_path, capsys):
    file = written(tmp_path, ball_picture(25))
    asked = ["measure", str(file), "limb_measurement", "--name", "ED_osteophyte",
             "--point", "20,20", "--point", "20,120"]  # fmt: skip
    assert main([*asked, "--scale", "ball", "--true-mm", "50"]) == 0
    found = json.loads(capsys.readouterr().out)
    assert found["numbers"][0]["value"] == pytest.approx(30.0, rel=0.02)
    assert "calibrated by a ball of 50 mm" in found["calibration"]
    assert main([*asked, "--scale", "ball"]) == 1
    assert "--true-mm" in capsys.readouterr().err
    assert main([*asked, "--control", "nowhere.dcm"]) == 1
    assert "nowhere.dcm is not a file" in capsys.readouterr().err
