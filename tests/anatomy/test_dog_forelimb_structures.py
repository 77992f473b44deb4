"""The dog's carpus and manus, counted against the anatomy texts.

Outside facts: Miller's Anatomy of the Dog and Thrall & Robertson: seven carpal bones (radial =
intermedioradial, ulnar, accessory, C1 to C4); five metacarpal bones; two phalanges in digit I and
three in digits II to V; nine palmar (proximal) sesamoids, eight of them numbered from medial to
lateral, two to a digit; one dorsal sesamoid in each of digits II to V.
"""

from collections import Counter

import pytest

from dicom_service.anatomy import Structure, atlas


def structures(region: str) -> dict[str, Structure]:
    found = atlas().region("dog", region)
    assert found is not None
    return {structure.id: structure for structure in found.structures}


def count(region: str, kind: str) -> int:
    return sum(s.kind == kind for s in structures(region).values())


def test_the_carpus_has_seven_carpal_bones() -> None:
    names = {s.id for s in structures("carpus").values() if s.kind == "carpal"}
    assert names == {"radial_carpal", "ulnar_carpal", "accessory_carpal", "c1", "c2", "c3", "c4"}


def test_the_forearm_ends_in_radius_and_ulna_with_their_styloids() -> None:
    assert {"radius_distal", "radius_styloid", "ulna_distal", "ulna_styloid"} <= set(
        structures("carpus")
    )


def test_the_manus_has_five_metacarpal_bones_and_fourteen_phalanges() -> None:
    assert count("manus", "metacarpal") == 5
    assert count("manus", "phalanx") == 2 + 4 * 3


@pytest.mark.parametrize("digit", [1, 2, 3, 4, 5])
def test_digit_one_has_two_phalanges_and_the_others_three(digit: int) -> None:
    phalanges = [s for s in structures("manus").values() if s.kind == "phalanx"]
    found = {s.id for s in phalanges if s.digit == digit}
    expected = ("p1", "p3") if digit == 1 else ("p1", "p2", "p3")
    assert found == {f"d{digit}_{phalanx}" for phalanx in expected}


def test_palmar_sesamoids_are_numbered_from_medial_two_to_a_digit() -> None:
    # 1+2 digit II, 3+4 digit III, 5+6 digit IV, 7+8 digit V; 1, 3, 6, 8 abaxial to the limb's axis.
    manus = structures("manus")
    for number in range(1, 9):
        sesamoid = manus[f"sesamoid_{number}"]
        assert sesamoid.digit == (number + 3) // 2
        assert ("medial" if number % 2 else "lateral") in sesamoid.name
        assert ("abaxial" in sesamoid.name) == (number in (1, 3, 6, 8))
    assert manus["sesamoid_d1"].digit == 1


def test_there_are_nine_palmar_and_four_dorsal_sesamoids() -> None:
    groups = Counter(s.group for s in structures("manus").values() if s.kind == "sesamoid")
    assert groups == {"palmar sesamoids": 9, "dorsal sesamoids": 4}


def test_every_digit_has_its_joints_and_digit_one_a_single_interphalangeal_one() -> None:
    joints = {s.id for s in structures("manus").values() if s.kind == "joint"}
    expected = {f"mcp_{n}" for n in range(1, 6)} | {"ip_1"}
    expected |= {f"{row}_{n}" for row in ("pip", "dip") for n in range(2, 6)}
    assert joints == expected


def test_the_carpus_has_its_five_joints() -> None:
    joints = {s.id for s in structures("carpus").values() if s.kind == "joint"}
    assert joints == {
        "antebrachiocarpal",
        "middle_carpal",
        "carpometacarpal",
        "intercarpal_accessory",
        "distal_radioulnar",
    }


def test_metacarpal_one_grows_proximally_and_the_others_distally() -> None:
    physes = {s.id: s.name for s in structures("manus").values() if s.kind == "physis"}
    assert len(physes) == 1 + 4 + 4 + 4 + 1
    assert physes["physis_mc1_proximal"].startswith("proximal")
    assert all(physes[f"physis_mc{n}"].startswith("distal") for n in range(2, 6))


@pytest.mark.parametrize("region", ["carpus", "manus"])
def test_the_search_pattern_has_all_five_sections(region: str) -> None:
    sections = {s.section for s in structures(region).values()}
    assert sections == {"alignment", "bone", "cartilage", "devices", "soft_tissue"}


def test_single_distal_carpal_bones_hide_each_other_on_the_mediolateral_view() -> None:
    # Geometry: the beam of a mediolateral view runs through the whole distal row.
    known = atlas()
    c3 = structures("carpus")["c3"]
    assert known.visibility(c3, "ML") == "no"
    assert known.visibility(c3, "LM") == "no"
    assert known.visibility(c3, "DPa") == "well"


def test_an_unknown_view_shows_everything_in_part() -> None:
    known = atlas()
    assert {known.visibility(s, "") for s in structures("manus").values()} == {"partly"}


def test_every_structure_is_shown_by_at_least_one_of_the_usual_views() -> None:
    # Minimum sets of views: carpus DPa, ML (stressed for extension); manus DPa, ML.
    known = atlas()
    for region in ("carpus", "manus"):
        for structure in structures(region).values():
            shown = {known.visibility(structure, view) for view in ("DPa", "ML", "stress ML")}
            assert shown & {"well", "partly"}, structure.id
