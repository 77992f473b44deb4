"""POST /api/studies/{uid}/measure: numbers with image points, refusals as sentences."""

import json
import re
import subprocess
from collections.abc import Callable
from pathlib import Path
from typing import get_args

import pytest

from dicom_service.cli import main
from dicom_service.measure.population import Animal
from dicom_service.review.computed import KIND_NAMES, ComputedKind
from dicom_service.workflow.measurable import measurable
from test_pacs.phantom.bench import Bench
from tests.measure.conftest import shoot_bench
from tests.web.conftest import file_of, image

PANEL = Path(__file__).parents[2] / "viewer_plugin" / "panel"


@pytest.fixture(scope="module")
def shot():
    return shoot_bench(Bench(gap=2.0))


@pytest.fixture
def joint(shot):
    made = image(shot.pixels, PixelSpacing=[0.144, 0.144], PixelSpacingCalibrationType="FIDUCIAL")
    column, row = shot.middle
    return made, [[column - 30, row], [column + 30, row]]


def _asked(made, points, **more):
    return {"image_uid": made.SOPInstanceUID, "kind": "joint_space", "points": points} | more


def test_two_clicks_give_width_margins_and_calibration(reader, keep, joint):
    made, points = joint
    keep(made)
    url = f"/api/studies/{made.StudyInstanceUID}/measure"
    answer = reader.send("POST", url, json=_asked(made, points))
    assert answer.status_code == 200
    found = answer.json
    assert found["refusal"] == ""
    assert found["numbers"][1]["value"] == pytest.approx(2.0, abs=0.2)
    assert found["numbers"][1]["plus_minus"] > 0
    assert "fiducial" in found["calibration"]
    margins = {d["name"]: d["points"] for d in found["drawn"]}
    assert margins["first margin"][0][1] == pytest.approx(points[0][1], abs=12)


def test_a_refusal_is_an_answer_with_a_sentence_and_no_numbers(reader, keep, joint):
    made, _ = joint
    keep(made)
    url = f"/api/studies/{made.StudyInstanceUID}/measure"
    found = reader.send("POST", url, json=_asked(made, [[100, 300], [180, 300]])).json
    assert found["refusal"]
    assert found["numbers"] == []


def test_wrong_requests_are_refused_with_a_status(reader, keep, joint):
    made, points = joint
    keep(made)
    url = f"/api/studies/{made.StudyInstanceUID}/measure"
    assert reader.send("POST", url, json=_asked(made, points[:1])).status_code == 400
    assert reader.send("POST", url, json=_asked(made, [[-5, 2], [3, 4]])).status_code == 400
    assert reader.send("POST", url, json={"kind": "joint_space"}).status_code == 422
    other = _asked(made, points) | {"image_uid": "1.2.3"}
    assert reader.send("POST", url, json=other).status_code == 404


def test_wrong_requests_are_refused_in_the_readers_language(reader, keep, joint):
    made, points = joint
    keep(made)
    url = f"/api/studies/{made.StudyInstanceUID}/measure"
    german = {"Accept-Language": "de"}
    for said, request in {
        "„joint_space“ braucht 2 Punkte, nicht 1.": _asked(made, points[:1]),
        "„implant“ braucht 2 oder 4 Punkte, nicht 1.": _asked(made, points[:1], kind="implant"),
        "Der Punkt (-5, 2) liegt außerhalb des Bildes.": _asked(made, [[-5, 2], [3, 4]]),
        "Die Studie hat kein Bild 1.2.3.": _asked(made, points, image_uid="1.2.3"),
        "Eine Messung namens „x“ gibt es nicht.": _asked(made, points, kind="limb_measurement",
                                                          name="x"),
        "Die wahre Größe muss zwischen 2 und 1000 mm liegen.": _asked(made, [], kind="ball"),
    }.items():  # fmt: skip
        assert reader.send("POST", url, json=request, headers=german).json["detail"] == said
    wrong = reader.send("POST", url, json={"kind": "joint_space"}, headers=german).json
    assert wrong["detail"].startswith("Falsch angefragt (measurement), bei image_uid: ")
    assert wrong["advice"] == "Berichtigen, was der Satz nennt, dann wieder senden."


def test_only_readers_measure(client, joint):
    made, points = joint
    url = f"/api/studies/{made.StudyInstanceUID}/measure"
    assert client.post(url, json=_asked(made, points)).status_code in (401, 403)


def test_the_command_line_measures_a_file_and_draws_it(tmp_path, capsys, joint):
    made, points = joint
    file, png = tmp_path / "joint.dcm", tmp_path / "joint.png"
    file.write_bytes(file_of(made))
    given = [v for x, y in points for v in ("--point", f"{x},{y}")]
    assert main(["measure", str(file), "joint_space", *given, "--png", str(png)]) == 0
    found = json.loads(capsys.readouterr().out)
    assert found["numbers"][1]["value"] == pytest.approx(2.0, abs=0.2)
    assert png.read_bytes().startswith(b"\x89PNG")
    assert main(["measure", str(file), "joint_space", "--point", "x,y"]) == 1
    assert "COLUMN,ROW" in capsys.readouterr().err


def test_what_can_be_measured_comes_with_landmarks_and_graded_published_values():
    offers = measurable(Animal(species="dog", breed="Labrador"), ("carpus",)).offers
    kinds = {o.kind for o in offers}
    assert kinds == set(get_args(ComputedKind))
    sections = {o.name or o.kind: o.section for o in offers}
    assert sections["joint_space"] == "cartilage"
    assert sections["aLDRA"] == "alignment"
    assert {key for key, section in sections.items() if not section} == {"ball", "ruler"}
    angle = next(o for o in offers if o.name == "aLDRA")
    assert [mark.id for mark in angle.landmarks][:2] == ["axis_distal", "axis_proximal"]
    assert angle.here
    assert {(r.mean, r.sd, r.source, r.grade) for r in angle.published} >= {
        (85.6, 1.74, "DUNCAN2022", "V")
    }
    assert angle.landmarks[0].where.startswith("middle of the shaft")
    assert ("axis_distal", "axis_proximal") in angle.lines
    # A Labrador is none of the small dogs.
    small = next(r for r in angle.published if r.source == "DUNCAN2022")
    assert small.fit == "other"
    far = next(o for o in offers if o.name == "TPA")
    assert not far.here
    assert all(r.species == "dog" for o in offers for r in o.published)
    assert not any(o.name == "P3_rotation" for o in offers)


def test_what_is_published_but_not_measured_here_comes_with_the_reason():
    for species, region, names in (
        ("dog", "crus", {"distal_tibial_valgus", "tibial_torsion"}),
        ("dog", "femur", {"femoral_anteversion"}),
        ("dog", "antebrachium", {"thoracic_limb_alignment"}),
        ("horse", "carpus", {"eq_c3_slope"}),
        ("cat", "crus", set()),
    ):
        found = measurable(Animal(species=species), (region,))
        assert {one.name for one in found.not_offered} == names
        assert all(one.title and len(one.why.split()) > 6 for one in found.not_offered)
    dog = measurable(Animal(species="dog"), ("crus",)).model_dump(mode="json")
    assert (
        "two radiographs do not show it"
        in {n["name"]: n["why"] for n in dog["not_offered"]}["tibial_torsion"]
    )


def test_the_list_of_what_can_be_measured_needs_a_signed_in_user(client):
    assert client.get("/api/studies/1.2.3/measurable").status_code == 401


def test_panel_and_node_call_what_is_computed_by_the_same_names():
    panel = (PANEL / "numbers.js").read_text("utf-8")
    table = re.search(r"MEANINGS = \{(.*?)\}", panel, re.DOTALL)
    assert table
    names = dict(re.findall(r"(\w+): '([^']+)'", table[1]))
    assert names == {kind: name for kind, name in KIND_NAMES.items() if name}


def test_everything_that_can_be_measured_has_a_drawing_of_its_landmarks(
    program: Callable[[str], str],
) -> None:
    offers = [
        offer.model_dump(mode="json")
        for species in ("dog", "cat", "horse")
        for offer in measurable(Animal(species=species), ()).offers
    ]
    pictures = (PANEL / "landmark_pictures.js").as_uri()
    script = (
        f"import {{ pictureOf }} from '{pictures}';"
        "import { readFileSync } from 'node:fs';"
        "const offers = JSON.parse(readFileSync(0, 'utf8'));"
        "const bare = offers.filter(one => !pictureOf(one) || !one.landmarks.length);"
        "console.log(JSON.stringify(bare.map(one => one.name || one.kind)));"
    )
    done = subprocess.run(
        [program("node"), "--input-type=module", "-e", script],
        input=json.dumps(offers), capture_output=True, text=True, check=True,
    )  # fmt: skip
    assert json.loads(done.stdout) == []
    assert len(offers) > 40
