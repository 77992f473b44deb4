"""The example in docs/anatomy.md works as printed, and a site's typing errors are named."""

import re
from pathlib import Path

import pytest
from pydicom import Dataset
from pydicom.uid import generate_uid

from dicom_service.anatomy import Atlas, DataError
from dicom_service.errors import Refused, SetupError
from dicom_service.intake import describe
from dicom_service.intake.model import ImageFacts, Signalment, StudyFacts
from dicom_service.review import (
    build_template,
    check_reading,
    findings_text,
    gaps,
    opening_reading,
    propose,
)
from dicom_service.review.model import Finding, Reading
from dicom_service.settings import Settings, load
from dicom_service.site import site_atlas

PAGE = Path(__file__).parent.parent / "docs" / "anatomy.md"


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    """A site's folder with every file that the page prints."""
    printed = re.findall(
        r"^`([\w/.-]+\.yaml)`\n\n```yaml\n(.*?)^```", PAGE.read_text("utf-8"), re.M | re.S
    )
    assert [name for name, _ in printed] == [
        "own/dog-carpus.yaml",
        "rabbit/species.yaml",
        "rabbit/carpus.yaml",
        "rabbit/sets.yaml",
        "own/findings.yaml",
        "own/conditions.yaml",
    ]
    for name, text in printed:
        (tmp_path / name).parent.mkdir(exist_ok=True)
        (tmp_path / name).write_text(text, "utf-8")
    return tmp_path


@pytest.fixture
def site(folder: Path) -> Atlas:
    return site_atlas(Settings(anatomy_folder=str(folder)))


def image(species: str, view: str) -> Dataset:
    header = Dataset()
    header.SOPClassUID = "1.2.840.10008.5.1.4.1.1.1"
    header.SOPInstanceUID = generate_uid()
    header.StudyInstanceUID, header.SeriesInstanceUID = "1.2.3", "1.2.3.4"
    header.PatientSpeciesDescription = species
    header.BodyPartExamined, header.ViewPosition, header.ImageLaterality = "CARPUS", view, "R"
    header.PatientAge = "008M"
    header.Rows = header.Columns = 100
    return header


def test_a_rabbit_is_read_by_its_own_structures(site: Atlas) -> None:
    facts = describe([image("Kaninchen", "DPA"), image("Kaninchen", "ML")], atlas=site)
    assert facts.signalment.species == "rabbit"
    assert facts.signalment.species_code is not None
    assert facts.signalment.species_code.value == "36571002"
    assert not {"species_other", "views_missing", "no_orthogonal"} & {r.key for r in facts.remarks}
    template = build_template(facts, atlas=site)
    assert {"R.carpus.c3", "R.carpus.physis_radius_distal"} <= {i.id for i in template.items}
    reading = opening_reading(facts, template, atlas=site)
    check_reading(template, reading, atlas=site)
    assert gaps(template, reading, atlas=site)
    assert "carpal bones" in findings_text(facts, template, reading, atlas=site)


def test_its_missing_view_is_asked_for(site: Atlas) -> None:
    facts = describe([image("rabbit", "DPA")], atlas=site)
    (remark,) = [r for r in facts.remarks if r.key == "views_missing"]
    assert remark.text.startswith("Right carpus: ML is missing")


def test_the_sites_own_item_stands_among_the_dogs(site: Atlas) -> None:
    facts = describe([image("dog", "DPA")], atlas=site)
    sections = [(i.structure, i.section) for i in build_template(facts, atlas=site).items]
    assert ("clinic_marker", "devices") in sections
    assert "clinic_marker" not in {i.structure for i in build_template(facts).items}


def test_the_sites_own_words_and_rule_out_are_proposed_and_exclude_each_other(site: Atlas) -> None:
    images = (ImageFacts(uid="1", series_uid="s", sop_class_uid="c", regions=("carpus",)),)
    facts = StudyFacts(
        study_uid="9",
        question="plate removed last week",
        signalment=Signalment(species="dog", age_months=30),
        images=tuple(i.model_copy(update={"view": "DPa", "side": "L"}) for i in images),
    )
    template = build_template(facts, atlas=site)
    assert "refracture" in {candidate.id for candidate in template.rule_outs}
    radius = "L.carpus.radius_distal"
    finding = Finding(id="f", item=radius, view="1", descriptors=("callus_soft", "fracture_line"))
    reading = Reading(findings=(finding,))
    check_reading(template, reading, atlas=site)
    proposed = {p.condition: p.verdict for p in propose(template, reading, atlas=site)}
    assert proposed["refracture"] == "possible"
    both = finding.model_copy(update={"descriptors": ("callus_soft", "callus_dense")})
    with pytest.raises(Refused, match="contradict each other"):
        check_reading(template, Reading(findings=(both,)), atlas=site)


def test_without_a_folder_the_shipped_anatomy_is_used() -> None:
    assert site_atlas(Settings()).species("rabbit") is None


def test_a_folder_that_is_not_there_is_said() -> None:
    with pytest.raises(SetupError, match="no-such-folder does not exist"):
        site_atlas(Settings(anatomy_folder="no-such-folder"))


@pytest.mark.parametrize(
    ("file", "old", "new", "sentence"),
    [
        (
            "own/dog-carpus.yaml",
            "species: dog",
            "species: dgo",
            r"dog-carpus\.yaml:3: .*'dgo/carpus'",
        ),
        ("own/dog-carpus.yaml", "id: clinic_marker", "id: c1", r"dog-carpus\.yaml:7: 'c1' stands"),
        ("own/dog-carpus.yaml", "ML: well", "MLL: well", r"dog-carpus\.yaml:5: .*no view 'MLL'"),
        (
            "own/dog-carpus.yaml",
            "shows: anywhere",
            "shows: nowhere",
            r"dog-carpus\.yaml:13: 'shows'",
        ),
        ("rabbit/sets.yaml", "any: [ML, LM]", "any: [ML, LQ]", r"sets\.yaml:3: .*'LQ'.*views"),
        ("rabbit/sets.yaml", "region: carpus", "region: wing", r"sets\.yaml:3: .*'wing'.*regions"),
        (
            "rabbit/sets.yaml",
            "[rabbit]",
            "[rabbit, dog]",
            r"'carpus_small' is the set of dog/carpus",
        ),
        ("rabbit/carpus.yaml", "grade: M", "grade: V", r"carpus\.yaml:\d+: .*grade V"),
        ("rabbit/species.yaml", "late_closure", "late_close", r"species\.yaml:7: .*no field"),
        ("rabbit/species.yaml", "kind: species", "kid: species", r"species\.yaml:1: 'kind' must"),
    ],
)
def test_a_typing_error_is_named_with_file_and_line(
    folder: Path, file: str, old: str, new: str, sentence: str
) -> None:
    text = (folder / file).read_text("utf-8")
    assert old in text
    (folder / file).write_text(text.replace(old, new), "utf-8")
    with pytest.raises(DataError, match=sentence):
        site_atlas(Settings(anatomy_folder=str(folder)))


def test_the_order_of_sections_is_a_setting_that_names_each_once() -> None:
    order = "bone,alignment,cartilage,devices,soft_tissue"
    settings = load(environment={"SESAMOID_SECTION_ORDER": order})
    assert settings.section_order[0] == "bone"
    with pytest.raises(SetupError, match="section_order"):
        load(environment={"SESAMOID_SECTION_ORDER": "bone,bone"})
