"""The side of a swelling has its anatomical name where Patient Orientation tells it."""

import pytest

from dicom_service.intake.orientation import across_limb, parse_orientation
from dicom_service.measure import Measured, MeasureRequest
from dicom_service.measure.model import Drawn, Number
from dicom_service.measure.said import say
from dicom_service.measure.sides import named
from dicom_service.workflow.measuring import measure_file
from test_pacs.phantom import Swelling
from tests.measure.conftest import shoot_carpus
from tests.web.conftest import file_of, image


def _focal(lean: float, *axis: tuple[float, float]) -> Measured:
    why = say("control.focal", share=0.9, at=12.0, side=say("word.first"))
    return Measured(kind="swelling_profile", method="", version="", why=why,
                    numbers=(Number(id="lean", name=say("swelling_profile.lean"), value=lean,
                                    unit="1"),),
                    drawn=(Drawn(kind="line", name="axis", points=axis),))  # fmt: skip


@pytest.mark.parametrize(
    ("stated", "lean", "axis", "side"),
    [
        (("M", "DI"), -0.9, [(50, 0), (52, 99)], "lateral"),
        (("M", "DI"), 0.9, [(50, 0), (52, 99)], "medial"),
        (("PA", "DI"), -0.9, [(50, 0), (50, 99)], "dorsal"),
        (("D", "DI"), -0.9, [(50, 0), (50, 99)], "palmar or plantar"),
        (("CD", "DI"), 0.9, [(50, 0), (50, 99)], "caudal"),
        (("DI", "M"), -0.9, [(0, 50), (99, 50)], "medial"),  # lies across the film
        (("DI", "M"), -0.9, [(99, 50), (0, 50)], "lateral"),
        (("M", "DI"), -0.9, [(0, 0), (99, 99)], "first"),  # lies aslant
        (("LD", "DI"), -0.9, [(50, 0), (50, 99)], "first"),  # an oblique view
        (("A", "F"), -0.9, [(50, 0), (50, 99)], "first"),  # a biped's letters
        ((), -0.9, [(50, 0), (50, 99)], "first"),
    ],
)
def test_a_side_has_the_name_of_where_it_lies_or_none(stated, lean, axis, side):
    found = named(_focal(lean, *axis), *across_limb(parse_orientation(stated, "", True)))
    assert found.why == f"90% of it on the {side} side at 12 mm"


def test_it_is_named_in_the_answer_for_a_file(carpus, tmp_path):
    shot = shoot_carpus((Swelling("antebrachiocarpal", 3.5, 9.0, True, -18.0),), seed=5)
    size = shot.pic.size[0]
    said = {}
    for name, stated in (("told", ["M", "DI"]), ("untold", None)):
        made = image(shot.pixels, PixelSpacing=[size, size], PixelSpacingCalibrationType="FIDUCIAL",
                     PatientOrientation=stated)  # fmt: skip
        path = tmp_path / f"{name}.dcm"
        path.write_bytes(file_of(made))
        control = image(carpus.pixels, PixelSpacing=[size, size],
                        PixelSpacingCalibrationType="FIDUCIAL")  # fmt: skip
        there = tmp_path / "control.dcm"
        there.write_bytes(file_of(control))
        request = MeasureRequest(kind="swelling_profile", points=(carpus.middle,))
        said[name] = measure_file(path, request, measure_file(there, request))
    assert said["told"].word == said["untold"].word == "focal"
    # lateral is at the left of a right limb's dorsopalmar image
    assert "on the lateral side" in said["told"].why
    assert "on the first side" in said["untold"].why
