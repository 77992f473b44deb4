"""A second visit on the same node: the same length and angle, compared with the signed ones."""

import pytest

from dicom_service.review.model import Reading
from test_pacs.clinic import Clinic
from test_pacs.reader import RequestRefused
from test_pacs.sending import send
from test_pacs.studies import small_study
from tests.job.helpers import PASSWORD, read_and_save, signed_in

ANGLE = ((70.0, 20.0), (70.0, 110.0), (40.0, 120.0), (100.0, 124.0))


@pytest.fixture(scope="module")
def clinic(tmp_path_factory):
    options = {"settle_seconds": 0.3, "retry_first_seconds": 0.2}
    with Clinic(tmp_path_factory.mktemp("visits"), options=options) as clinic:
        yield clinic


@pytest.fixture(scope="module")
def reader(clinic):
    return signed_in(clinic.service.store, clinic.service.address)


def _arrive(clinic, reader, date):
    images = small_study()
    for image in images:
        image.StudyDate = date
    uid = str(images[0].StudyInstanceUID)
    send(images, clinic.archive.port, clinic.archive.ae_title)
    reader.wait_for(uid, "waiting")
    return uid


def _item(opening):
    return next(i["id"] for i in opening["template"]["items"] if i["structure"] == "radius_distal")


def _angle(opening, points=ANGLE):
    view = next(v["uid"] for v in opening["template"]["views"] if v["view"] == "DPa")
    computed = {"kind": "limb_measurement", "name": "aLDRA"}
    return {"id": "c-1", "item": _item(opening), "view": view, "kind": "computed", "unit": "deg",
            "points": points, "computed": computed}  # fmt: skip


def _length(opening, size):
    view = next(v["uid"] for v in opening["template"]["views"] if v["view"] == "DPa")
    return {"id": "m-9", "item": _item(opening), "view": view, "kind": "length",
            "points": [[60, 60], [60, 60 + size]]}  # fmt: skip


def test_what_was_signed_is_compared_with_the_smallest_detectable_difference(clinic, reader):
    first = _arrive(clinic, reader, "20260202")
    read_and_save(reader, first)
    opening = reader.open(first)
    measured = {"measurements": [_angle(opening), _length(opening, 40)]}
    kept = Reading.model_validate(opening["reading"] | measured)
    version = reader.save(first, opening["version"], kept)["version"]
    reader.sign(first, version, PASSWORD)
    reader.wait_for(first, "committed")

    second = _arrive(clinic, reader, "20260401")
    opening = reader.open(second)
    turned = (*ANGLE[:2], (40.0, 100.0), (100.0, 144.0))
    asked = {"measurements": [_angle(opening, turned), _length(opening, 41)]}
    angle, length = reader.request("POST", f"api/studies/{second}/changes", asked)["changes"]
    (before,) = angle["against"]
    change = before["compared"]["changes"][0]
    assert (before["kind"], before["date"], change["real"]) == ("earlier", "20260202", True), before
    assert abs(change["difference"]) == pytest.approx(32.5, abs=1)
    assert change["detectable"] > 5
    assert "than before; smallest detectable difference" in before["words"]
    assert [p[0] for p in angle["series"][0]["points"]] == ["2026-02-02", "2026-04-01"]
    change = length["against"][0]["compared"]["changes"][0]
    assert change["real"] is False
    assert change["detectable"] > abs(change["difference"])
    # An earlier image that carries no such measurement is measured now, at the reader's points.
    views = {v["view"]: v["uid"] for v in reader.open(first)["template"]["views"]}
    theta = _angle(opening) | {
        "id": "c-7", "points": [[70, 10], [70, 50], [72, 90], [80, 140]],
        "computed": {"kind": "limb_measurement", "name": "theta",
                     "before": [{"study_uid": first, "view": views["DPa"],
                                 "points": [[70, 10], [70, 50], [72, 90], [90, 140]]}]},
    }  # fmt: skip
    asked = {"measurements": [theta]}
    (found,) = reader.request("POST", f"api/studies/{second}/changes", asked)["changes"]
    (there,) = found["against"]
    assert (there["date"], there["image_uid"]) == ("20260202", views["DPa"])
    assert abs(there["compared"]["changes"][0]["difference"]) == pytest.approx(10.6, abs=3)
    assert "measured today on the earlier image" in there["compared"]["doubts"]
    assert len(found["series"][0]["points"]) == 2
    theta["computed"]["before"][0]["study_uid"] = "1.2.3"
    (found,) = reader.request("POST", f"api/studies/{second}/changes", asked)["changes"]
    assert found["against"] == []
    # On another view it is another measurement.
    other = next(v["uid"] for v in opening["template"]["views"] if v["view"] == "ML")
    elsewhere = {"measurements": [_length(opening, 41) | {"view": other}]}
    answer = reader.request("POST", f"api/studies/{second}/changes", elsewhere)
    assert answer["changes"] == [{"id": "m-9", "against": [], "series": []}]


def test_a_ruler_gives_its_image_the_scale_and_an_earlier_image_can_be_the_control(clinic, reader):
    first = _arrive(clinic, reader, "20260105")
    before = {v["view"]: v["uid"] for v in reader.open(first)["template"]["views"]}
    uid = _arrive(clinic, reader, "20260601")
    opening = reader.open(uid)
    views = {v["view"]: v["uid"] for v in opening["template"]["views"]}
    ruler = _length(opening, 0) | {
        "id": "c-2", "kind": "computed", "points": [[20, 20], [20, 120]],
        "computed": {"kind": "ruler", "true_mm": 25.0},
    }  # fmt: skip
    wanted = [_length(opening, 40), ruler, _angle(opening)]
    saved = reader.save(
        uid,
        opening["version"],
        Reading.model_validate(opening["reading"] | {"measurements": wanted}),
    )["reading"]["measurements"]
    length, scale, angle = saved
    assert scale["value"] == pytest.approx(0.25)
    assert (length["value"], length["unit"]) == (pytest.approx(10.0), "mm")
    assert "calibrated by a ruler of 25 mm" in length["calibration"]
    assert angle["computed"]["scale"]["true_mm"] == 25.0
    # Another image, without a ruler, keeps its own scale; the ruler taken out, so does this one.
    reading = opening["reading"] | {"measurements": [_length(opening, 40)]}
    version = reader.open(uid)["version"]
    (alone,) = reader.save(uid, version, Reading.model_validate(reading))["reading"]["measurements"]
    assert alone["value"] != length["value"]
    # The control of a swelling: an earlier image of the same view, no other.
    asked = {"kind": "swelling_profile", "image_uid": views["DPa"], "points": []}
    address = f"api/studies/{uid}/measure"
    found = reader.request("POST", address, asked | {"control_uid": before["DPa"]})
    assert found["kind"] == "swelling_profile"
    with pytest.raises(RequestRefused, match="The control must be the same view"):
        reader.request("POST", address, asked | {"control_uid": before["ML"]})
    with pytest.raises(RequestRefused, match="must be of the other limb"):
        reader.request("POST", address, asked | {"control_uid": views["DPa"]})
    fracture = {"kind": "fracture_angulation", "image_uid": views["DPa"],
                "points": [[100, 10], [100, 60], [102, 80], [110, 140]]}  # fmt: skip
    across = fracture | {"control_uid": views["ML"], "control_points": fracture["points"]}
    numbers = reader.request("POST", address, across)["numbers"]
    assert numbers[0]["id"] == "true_angle"
    with pytest.raises(RequestRefused, match="right angle"):
        reader.request("POST", address, across | {"control_uid": before["ML"]})
