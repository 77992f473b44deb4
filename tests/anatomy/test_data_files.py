"""Data files are refused with file, line and sentence; a user may add files of the same form."""

from pathlib import Path

import pytest

from dicom_service.anatomy import Atlas, DataError, atlas, load_atlas

RABBIT = """\
kind: species
species:
  - {id: rabbit, name: rabbit, code: SPECIES-RABBIT, words: [rabbit]}
"""

TALUS = """\
kind: region
species: rabbit
id: tarsus
name: tarsus
patterns:
  ridge: {source: Geometry of the projections, grade: C, views: {DPl: well, ML: partly}}
structures:
  - id: talus
    name: talus
    section: bone
    group: tarsal bones
    kind: tarsal
    code: TALUS
    shows: ridge
"""


def load(folder: Path, text: str) -> Atlas:
    species, file = folder / "rabbit.yaml", folder / "own.yaml"
    species.write_text(RABBIT, "utf-8")
    file.write_text(text, "utf-8")
    return load_atlas([species, file])


def test_files_of_a_user_add_a_species_and_a_region(tmp_path: Path) -> None:
    known = load(tmp_path, TALUS)
    assert known.regions("rabbit") == ("tarsus",)
    region = known.region("rabbit", "tarsus")
    assert region is not None
    assert region.code.meaning == "Tarsus"
    assert known.visibility(region.structures[0], "LM") == "partly"
    assert atlas().region("rabbit", "tarsus") is None


@pytest.mark.parametrize(
    ("change", "line", "sentence"),
    [
        (("    kind: tarsal", "    kind: tarsal\n    colour: red"), 13, "no field 'colour'"),
        (("name: tarsus\n", "name: tarsus\nauthor: me\n"), 5, "no field 'author'"),
        (("DPl: well", "Sideways: well"), 6, "no view 'Sideways'"),
        (("DPl: well", "DPl: superb"), 6, "views.DPl"),
        (("source: Geometry of the projections, ", ""), 6, "'source' is missing"),
        (("section: bone", "section: bones"), 10, "'section'"),
        (("shows: ridge", "shows: rigde"), 14, "patterns"),
        (("code: TALUS", "code: TALUS-WITH-A-LONG-NAME"), 13, "longer than 16"),
        (("id: tarsus", "id: knuckle"), 3, "'id' must be a region"),
        (("species: rabbit", "species: gerbil"), 2, "'species'"),
        (("kind: region", "kind: regio"), 1, "'kind' must be one of"),
        (("name: talus", "name: talus\n    name: talus"), 10, "'name' stands twice"),
        (("grade: C", "grade: V"), 8, "no known source"),
        (("patterns:", "patterns: ["), 7, "not valid YAML"),
    ],
)
def test_a_mistake_is_refused_with_file_line_and_sentence(
    tmp_path: Path, change: tuple[str, str], line: int, sentence: str
) -> None:
    assert change[0] in TALUS
    with pytest.raises(DataError) as caught:
        load(tmp_path, TALUS.replace(*change, 1))
    assert f"own.yaml:{line}: " in str(caught.value)
    assert sentence in str(caught.value)


def test_a_doubled_structure_is_refused(tmp_path: Path) -> None:
    block = TALUS[TALUS.index("  - id: talus") :]
    with pytest.raises(DataError, match=r"own\.yaml:15: the structure 'talus' stands twice"):
        load(tmp_path, TALUS + block)


def test_a_region_that_is_there_already_is_refused(tmp_path: Path) -> None:
    text = TALUS.replace("species: rabbit", "species: dog").replace("id: tarsus", "id: carpus", 1)
    with pytest.raises(DataError, match=r"'dog/carpus' stands already in dog/carpus\.yaml:3"):
        load(tmp_path, text)


def test_a_missing_file_is_refused_by_name(tmp_path: Path) -> None:
    with pytest.raises(DataError, match=r"nowhere\.yaml:1: the file cannot be read"):
        load_atlas([tmp_path / "nowhere.yaml"])


def test_every_verified_fact_names_a_source_with_a_citation() -> None:
    known = atlas()
    cited = set()
    for region in (known.region("dog", r) for r in known.regions("dog")):
        assert region is not None
        for structure in region.structures:
            facts = [*structure.variants, *structure.closure]
            cited |= {fact.source for fact in facts if fact.grade == "V"}
    assert {"PROVETTABLE", "APLSESAMOID2021", "SESAMOIDPMC"} <= cited
    for identity in cited:
        source = known.source(identity)
        assert source is not None
        assert source.citation


def test_descriptors_cover_every_section_and_condition_texts_are_complete() -> None:
    known = atlas()
    for section in ("alignment", "bone", "cartilage", "devices", "soft_tissue"):
        assert len(known.descriptors(section)) >= 5
    assert {d.id for d in known.descriptors("physis")} >= {"physis_open", "physis_closed"}
    for condition in known.conditions():
        assert condition.limits
        assert condition.next_steps
