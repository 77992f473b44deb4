"""A ball, an implant and a fat plane: set, adjusted, accepted or not, and in the signed report."""

import re
import uuid
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import numpy as np
import pydicom
import pytest
from playwright.sync_api import Locator, Page, expect
from pydicom import Dataset

from dicom_service import report
from dicom_service.codes import get
from dicom_service.report.walk import everything, key_of, name_of
from dicom_service.validators import outside_problems
from test_pacs.clinic import Clinic
from test_pacs.phantom import Ball, Limb, Projection
from test_pacs.phantom.bench import Bench, FatPlane, bench
from test_pacs.phantom.metal import Screw
from test_pacs.studies import small_study
from tests.browser import real_node
from tests.browser.measuring import (
    HANDLES,
    begin,
    choose,
    click_at,
    item_ids,
    measured,
    opened,
    sign,
)
from tests.browser.waiting import saved, still
from tests.measure.conftest import PIXEL, shoot, shoot_fat

pytestmark = [pytest.mark.browser, pytest.mark.long]
SHOTS = Path(__file__).parent / "screenshots"
FLAT = Projection(0.0, rows=480, columns=400, pixel=PIXEL, centre=(0, 0, 0),
                  object_to_detector=40.0)  # fmt: skip
MAGNIFIED = 1.042
BALL, ACROSS = (21.0, 0.0, -22.0), Screw((-10.5, 0, -16), (9, 0, -9), 3.5, 1.5)


def spot(*place: float) -> tuple[float, float]:
    """Where a place of the phantom is shown."""
    ((x, y),) = FLAT.shown(np.array([place]))
    return float(x), float(y)


def shown(header: Dataset, pixels: np.ndarray) -> Dataset:
    """The image of a study with the pixels of a phantom, uncorrected for magnification."""
    header.Rows, header.Columns = pixels.shape
    header.BitsAllocated, header.BitsStored, header.HighBit = 16, 16, 15
    header.PhotometricInterpretation = "MONOCHROME2"
    header.PixelData = pixels.astype("<u2").tobytes()
    header.ImagerPixelSpacing = [PIXEL, PIXEL]
    low, high = np.percentile(pixels, [1, 99.8])
    header.WindowCenter, header.WindowWidth = int((low + high) / 2), int(high - low)
    for keyword in ("PixelSpacing", "PixelSpacingCalibrationType", "VOILUTSequence",
                    "EstimatedRadiographicMagnificationFactor"):  # fmt: skip
        if keyword in header:
            delattr(header, keyword)
    return header


def made_study() -> tuple[list[Dataset], dict[str, tuple[tuple[float, float], ...]]]:
    """A ball beside a joint, a loose screw, a fat plane pushed away, and the sound other limb."""
    seed = uuid.uuid4().hex
    here = small_study(seed=seed, views=("DPa", "ML", "D45L-PaMO"))
    other = small_study(seed=f"{seed} left", side="L", views=("D45L-PaMO",))
    for number, image in enumerate(other, len(here) + 1):
        image.StudyInstanceUID, image.InstanceNumber = here[0].StudyInstanceUID, number
    joint = bench(Bench(gap=2.0))
    with_ball = Limb((*joint.pieces, Ball(BALL, 10.0).piece()), joint.landmarks)
    loose = bench(Bench(gap=2.0, screws=(ACROSS,)))
    pushed, along = shoot_fat(FatPlane(3.5, effusion=3.0), seed=5)
    sound, beside = shoot_fat(FatPlane(3.5), seed=3)
    pixels = [
        shoot(with_ball, "gap", FLAT, 1700.0, 1).pixels,
        shoot(loose, "gap", FLAT, 1700.0, 2).pixels,
        pushed.pixels, sound.pixels,
    ]  # fmt: skip
    made = [shown(h, p) for h, p in zip([*here, *other], pixels, strict=True)]
    return made, {"along": along, "beside": beside}


@pytest.fixture(scope="module")
def clinic(tmp_path_factory) -> Iterator[Clinic]:
    with real_node.with_viewer(tmp_path_factory.mktemp("clinic")) as clinic:
        yield clinic


def shot(page: Page, name: str) -> None:
    SHOTS.mkdir(exist_ok=True)
    page.screenshot(path=SHOTS / f"objects-{name}.png")


def look_at(page: Page, uid: str) -> None:
    """The image that is asked about, as its key or its name in the panel chooses it."""
    page.evaluate(
        """uid => { const panel = document.querySelector('sesamoid-panel');
        panel.chooseView(panel.session.template.views.find(view => view.uid === uid)); }""",
        uid,
    )


def drag(page: Page, handle: int, across: float, down: float) -> None:
    x, y = page.evaluate(HANDLES)[handle]
    page.mouse.move(x, y)
    page.mouse.down()
    page.mouse.move(x + across, y + down, steps=4)
    page.mouse.up()


def nudge(page: Page, panel: Locator, landmark: int, *keys: str) -> None:
    panel.locator(f'[data-landmark="{landmark}"]').focus()
    with page.expect_response("**/measure"):
        for key in keys:
            page.keyboard.press(key)


def kept(page: Page) -> list[dict[str, Any]]:
    return page.evaluate(
        "() => document.querySelector('sesamoid-panel').session.reading.measurements"
    )


def accept(page: Page, panel: Locator, words: str) -> None:
    page.keyboard.press("y")
    expect(panel.locator("li.computed", has_text=words)).to_be_visible()
    saved(page)


def calibrate(page: Page, panel: Locator, uid: str) -> None:
    """A joint measured without calibration, then the ball beside it: not kept, then accepted."""
    begin(page, panel, "Joint space width")
    for x in (-5.0, 5.0):
        click_at(page, uid, spot(x, 0, 0))
    expect(measured(panel)).to_contain_text("at detector plane")
    accept(page, panel, "joint space width")
    before = kept(page)[0]["value"]
    begin(page, panel, "Calibration by a ball")
    panel.get_by_label("True diameter, mm").fill("10")
    page.keyboard.press("Tab")
    expect(measured(panel)).to_contain_text("0.14")
    shot(page, "1-ball-found")
    panel.get_by_role("button", name="Discard").click()
    assert [m["computed"]["kind"] for m in kept(page)] == ["joint_space"]
    begin(page, panel, "Calibration by a ball")
    panel.get_by_label("True diameter, mm").fill("10")
    page.keyboard.press("Tab")
    click_at(page, uid, spot(BALL[0] + 1.0, 0, BALL[2]))
    expect(measured(panel)).to_contain_text("0.14")
    drag(page, 0, -4, 3)
    expect(measured(panel)).to_contain_text("0.14")
    nudge(page, panel, 0, "ArrowLeft", "Shift+ArrowUp")
    expect(measured(panel)).to_contain_text("height of the bone")
    shot(page, "2-ball-marked")
    accept(page, panel, "calibration by a ball")
    joint = panel.locator("li.computed", has_text="joint space width")
    expect(joint).to_contain_text("calibrated by a ball of 10 mm")
    assert before / kept(page)[0]["value"] == pytest.approx(MAGNIFIED, abs=0.015)
    shot(page, "3-calibrated")


def screw(page: Page, panel: Locator, uid: str) -> None:
    """A screw in resorbed bone above a joint: length, rim and distance; refused, then accepted."""
    begin(page, panel, "Screw or pin")
    for place in ((-10.5, 0, -30.0), (9.0, 0, -28.0)):
        click_at(page, uid, spot(*place))
    expect(measured(panel)).to_contain_text("No straight metal")
    expect(panel.get_by_role("button", name=re.compile("^Accept"))).to_be_disabled()
    panel.get_by_role("button", name="Discard").click()
    begin(page, panel, "Screw or pin")
    for place in (ACROSS.head, ACROSS.tip, (-8.5, 0, 0), (8.5, 0, 0)):
        click_at(page, uid, spot(*place))
    expect(measured(panel)).to_contain_text("distance from the joint's margin", ignore_case=True)
    drag(page, 1, 6, 4)
    expect(measured(panel)).to_contain_text("lucent rim", ignore_case=True)
    nudge(page, panel, 0, "ArrowLeft", "ArrowDown")
    expect(measured(panel)).to_contain_text("lucent rim", ignore_case=True)
    shot(page, "4-screw")
    accept(page, panel, "implant")
    shot(page, "5-screw-accepted")


def plane(
    page: Page, panel: Locator, uid: str, other: str, points: dict[str, tuple[Any, ...]]
) -> None:
    """A fat plane pushed from the bone at the joint, beside that of the other limb."""
    begin(page, panel, "Fat plane")
    for point in points["along"]:
        click_at(page, uid, point)
    expect(measured(panel)).to_contain_text("no control")
    panel.locator("select[data-second]").select_option(other)
    for point in points["beside"]:
        click_at(page, other, point)
    expect(measured(panel)).to_contain_text("intracapsular supported")
    drag(page, 0, 2, 3)
    expect(measured(panel)).to_contain_text("displacement at the joint", ignore_case=True)
    nudge(page, panel, 2, "ArrowUp", "ArrowUp")
    expect(measured(panel)).to_contain_text("intracapsular supported")
    shot(page, "6-fat-plane")
    accept(page, panel, "fat plane")
    shot(page, "7-fat-plane-accepted")


def test_a_ball_an_implant_and_a_fat_plane_from_the_click_to_the_signed_report(
    page: Page, clinic: Clinic, tmp_path: Path
) -> None:
    made, points = made_study()
    uid = real_node.routed(clinic, made)
    ball, metal, fat, sound = (str(d.SOPInstanceUID) for d in made)
    panel = opened(page, clinic, "Pixel", 4)
    still(page, 4)
    items = [i for i in item_ids(page) if i["side"] == "R"]
    joint = next(i["id"] for i in items if i["section"] == "cartilage")
    choose(page, panel, "Cartilage", joint)
    look_at(page, ball)
    calibrate(page, panel, ball)
    choose(page, panel, "Bone", next(i["id"] for i in items if i["section"] == "bone"))
    screw(page, panel, metal)
    soft = next(i["id"] for i in items if i["section"] == "soft_tissue")
    choose(page, panel, "Soft tissue", soft)
    plane(page, panel, fat, sound, points)
    sign(page, panel)
    signed = [d for d in clinic.archive.stored(uid) if d.Modality == "SR"]
    by_title = {d.ConceptNameCodeSequence[0].CodeValue: d for d in signed}
    told = {m.computed.kind: m for m in report.read(by_title["18748-4"]).reading.measurements
            if m.computed}  # fmt: skip
    assert list(told) == ["joint_space", "ball", "implant", "fat_plane"]
    assert [len(told[k].points) for k in told] == [2, 1, 4, 3]
    assert {m.computed.method for m in told.values()} == {f"sesamoid.{kind}" for kind in told}
    assert "ball of 10 mm" in told["joint_space"].calibration
    assert told["fat_plane"].computed.word == "intracapsular supported"
    numbers = {n.id: n for n in told["implant"].computed.numbers}
    assert abs(numbers["joint"].value / MAGNIFIED - 6.35) <= numbers["joint"].plus_minus
    assert abs(numbers["halo_first"].value - 1.5) <= numbers["halo_first"].plus_minus
    assert methods(by_title["18748-4"]) == [
        "calibrated_fiducial", "calibrated_fiducial", "calibrated_detector", "calibrated_detector",
    ]  # fmt: skip
    for name, document in by_title.items():
        path = tmp_path / f"{name}.dcm"
        document.save_as(path, enforce_file_format=True)
        assert outside_problems(path) == []


def methods(document: pydicom.Dataset) -> list[str]:
    """The codes of how each measurement is calibrated, in the order of the document."""
    known = {get(word).key: word for word in (
        "calibrated_fiducial", "calibrated_detector", "calibrated_unknown", "calibrated_none",
    )}  # fmt: skip
    wanted = get("measurement_method").key
    items = [placed.item for placed in everything(document)]
    return [known[key_of(i.ConceptCodeSequence)] for i in items if name_of(i) == wanted]
