"""The committed pages are those that the data files give, and the code lists hold everything."""

import csv
import io
import json
import re
from pathlib import Path

import pytest
from pydicom.sr._concepts_dict import concepts as standard

from dicom_service import __version__
from dicom_service.anatomy import atlas
from dicom_service.anatomy.concepts import concepts
from dicom_service.cli import main
from dicom_service.cli.knowledge import pages
from dicom_service.codes import SCHEME, SCHEME_UID, Code, all_codes
from dicom_service.codes.export import Concept, conflicts, csv_text, fhir_code_system, traps

DOCS = Path(__file__).parent.parent / "docs"
PAGES = pages(atlas())


@pytest.mark.parametrize("name", PAGES)
def test_a_committed_page_is_what_the_data_give(name: str) -> None:
    committed = (DOCS / name).read_text("utf-8")
    assert committed == PAGES[name], "run: sesamoid docs docs"


def test_no_generated_page_is_left_from_earlier_data() -> None:
    marked = {p.name for p in DOCS.glob("*.md") if "do not edit" in p.read_text("utf-8")}
    assert marked == {name for name in PAGES if name.endswith(".md")}


def test_every_structure_stands_in_the_tables_with_its_code_and_source() -> None:
    known = atlas()
    for species in known.all_species:
        for identity in known.regions(species.id):
            region = known.region(species.id, identity)
            assert region is not None
            title = f"## {region.name[:1].upper()}{region.name[1:]}\n"
            chapter = PAGES[f"anatomy-{species.id}.md"].split(title)[1].split("\n## ")[0]
            for structure in region.structures:
                start = f"| {structure.name} | {structure.section.replace('_', ' ')} | "
                (line,) = [x for x in chapter.splitlines() if x.startswith(start)]
                assert f"| {structure.code.value} ({structure.code.scheme}) |" in line
                assert line.endswith(f"{structure.shows.source}, {structure.shows.grade} |")


# The registry


def test_no_code_has_two_meanings_and_no_trap_is_stepped_into() -> None:
    assert conflicts(concepts()) == ()


def test_every_code_of_the_atlas_and_of_the_documents_is_in_the_registry() -> None:
    listed = {concept.code for concept in concepts()}
    assert set(atlas().codes()) <= listed
    assert set(all_codes().values()) <= listed
    kinds = {concept.kind for concept in concepts()}
    assert kinds >= {"structure", "view", "view position", "finding descriptor", "condition",
                     "document", "region", "species"}  # fmt: skip


def test_a_standard_code_means_what_the_standards_dictionaries_say() -> None:
    for concept in concepts():
        code = concept.code
        printed = {
            re.sub(r" \([a-z ]+\)$", "", meaning).casefold()
            for versions in standard.get(code.scheme, {}).values()
            for value, (meaning, _) in versions.items()
            if value == code.value
        }
        if printed or code.scheme in ("SCT", "DCM"):
            assert code.meaning.casefold() in printed, code


@pytest.mark.parametrize(
    ("codes", "sentence"),
    [
        ([("A", SCHEME, "one"), ("A", SCHEME, "two")], "A (99SESAMOID) means “one” and “two”."),
        ([("A", SCHEME, "one"), ("B", SCHEME, "one")], "“one” has the codes A and B of ours."),
        ([("399196006", "SCT", "cephalad")], "399196006 (SCT) is written as “cephalad”"),
        ([("30518006", "SCT", "Navicular of forefoot")], "30518006 (SCT) is written as"),
    ],
)
def test_a_conflict_is_said_in_a_sentence(codes: list, sentence: str) -> None:
    given = [
        Concept(code=Code(value=value, scheme=scheme, meaning=meaning), kind="x")
        for value, scheme, meaning in codes
    ]
    (found,) = conflicts(given)
    assert found.startswith(sentence)


def test_the_traps_are_real() -> None:
    dictionary = {
        value: {
            m
            for versions in [standard["SCT"]]
            for v in versions.values()
            for k, (m, _) in v.items()
            if k == value
        }
        for value in (trap.value for trap in traps())
    }
    for trap in traps():
        assert dictionary[trap.value], f"{trap.value} is in no dictionary"
        assert not trap.ours or trap.ours in dictionary[trap.value]


# The exports


def test_the_csv_has_one_row_for_each_code() -> None:
    rows = list(csv.DictReader(io.StringIO(csv_text(concepts()))))
    codes = {(c.code.scheme, c.code.value): c.code.meaning for c in concepts()}
    assert {(r["scheme"], r["value"]): r["meaning"] for r in rows} == codes
    assert len(rows) == len(codes)
    radial = next(r for r in rows if r["value"] == "CARPAL-RADIAL")
    assert (radial["kind"], radial["system"]) == ("structure", f"urn:oid:{SCHEME_UID}")
    assert "dog/carpus" in radial["used_for"]


def test_the_code_system_has_what_fhir_r4_asks_of_one() -> None:
    # FHIR R4 CodeSystem: status and content are required; name is csd-0; codes are unique; count
    # is that of all concepts; properties of concepts are declared.
    system = fhir_code_system(concepts(), __version__)
    assert system["resourceType"] == "CodeSystem"
    assert (system["status"], system["content"]) == ("active", "complete")
    assert re.fullmatch(r"[A-Z][A-Za-z0-9_]{0,254}", str(system["name"]))
    assert system["url"] == f"urn:oid:{SCHEME_UID}"
    listed = system["concept"]
    assert isinstance(listed, list)
    assert system["count"] == len(listed) == len({c["code"] for c in listed})
    assert all(re.fullmatch(r"[^\s]+(\s[^\s]+)*", c["code"]) for c in listed)
    declared = {"kind", "used-for"}
    assert {p["code"] for c in listed for p in c["property"]} <= declared
    assert {c["code"] for c in listed} == {
        c.code.value for c in concepts() if c.code.scheme == SCHEME
    }


def test_commands_print_and_write_them(capsys: pytest.CaptureFixture, tmp_path: Path) -> None:
    assert main(["codes"]) == 0
    assert capsys.readouterr().out.startswith("scheme,value,meaning,kind,used_for,system\n")
    assert main(["codes", "--fhir"]) == 0
    assert json.loads(capsys.readouterr().out)["resourceType"] == "CodeSystem"
    assert main(["docs", str(tmp_path)]) == 0
    assert {p.name for p in tmp_path.iterdir()} == set(PAGES)
