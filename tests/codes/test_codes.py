"""Codes against the standard's dictionaries as pydicom carries them (PS3.16), and our own scheme.

Outside facts: pydicom.sr's copy of CID 7454 (species), 7482 (regions), 7484 and 4010 (views).
Code Value and Coding Scheme Designator are SH (16), Code Meaning is LO (64): PS3.3 table 8.8-1.
"""

import re

import pytest
from pydicom.sr._cid_dict import cid_concepts
from pydicom.sr._concepts_dict import concepts

from dicom_service.anatomy import atlas
from dicom_service.anatomy.nomenclature import label, parse_name
from dicom_service.codes import SCHEME, Code, all_codes

CODES = [*all_codes().values(), *atlas().codes()]


def meanings(code: Code) -> set[str]:
    """Every meaning that the dictionaries give to `code`, without SNOMED's "(attribute)"."""
    return {
        re.sub(r" \([a-z ]+\)$", "", meaning)
        for versions in concepts.get(code.scheme, {}).values()
        for value, (meaning, _) in versions.items()
        if value == code.value
    }


def members(cid: int) -> dict[str, str]:
    """Value -> meaning of a context group."""
    return {
        value: meaning
        for scheme, keywords in cid_concepts[cid].items()
        for keyword in keywords
        for value, (meaning, cids) in concepts[scheme][keyword].items()
        if cid in cids
    }


@pytest.mark.parametrize("code", [c for c in CODES if c.scheme in ("DCM", "SCT")], ids=str)
def test_a_standard_code_has_a_meaning_that_the_standard_prints(code: Code) -> None:
    assert code.meaning.casefold() in {meaning.casefold() for meaning in meanings(code)}


@pytest.mark.parametrize("code", CODES, ids=str)
def test_a_code_fits_its_attributes(code: Code) -> None:
    assert len(code.value) <= 16
    assert len(code.scheme) <= 16
    assert len(code.meaning) <= 64
    assert "\\" not in code.value + code.meaning


def test_one_code_has_one_meaning_everywhere() -> None:
    seen: dict[tuple[str, str], str] = {}
    for code in CODES:
        assert seen.setdefault(code.key, code.meaning) == code.meaning


def test_our_codes_name_one_thing_each() -> None:
    ours = {code for code in CODES if code.scheme == SCHEME}
    assert len({code.meaning for code in ours if not code.value.startswith("GEN-")}) == len(
        {code.value for code in ours if not code.value.startswith("GEN-")}
    )


def test_regions_and_species_are_coded_from_the_groups_for_animals() -> None:
    known = atlas()
    for region in ("carpus", "manus", "stifle", "tarsus", "elbow"):
        code = known.part(region).code
        assert members(7482)[code.value] == code.meaning
    for identity in ("dog", "cat", "horse"):
        species = known.species(identity)
        assert species is not None
        assert members(7454)[species.code.value] == species.code.meaning


def test_views_have_the_meaning_of_the_group_for_animals() -> None:
    # Some codes are human words elsewhere; craniocaudal and plantarodorsal stand in CID 4010 only.
    animal, human = members(7484), members(4010)
    labels = {label(found) for m in animal.values() if (found := parse_name(m))}
    for view in atlas().all_views:
        if view.code.scheme == SCHEME:
            assert view.label not in labels, "the standard has a code for it"
        elif view.code.value in ("399162004", "399071006"):
            assert view.code.value not in animal
            assert human[view.code.value].casefold() == view.code.meaning.casefold()
        else:
            assert animal[view.code.value] == view.code.meaning


def test_codes_that_mean_something_else_in_a_human_are_not_used() -> None:
    # 30518006 scaphoid, 75772009 tarsal navicular, 131190003 radius of a circle.
    assert not {"30518006", "75772009", "131190003"} & {code.value for code in CODES}
