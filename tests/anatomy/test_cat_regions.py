"""The twelve limb regions of the cat, counted against facts from outside.

Anatomy: Nickel, Schummer and Seiferle; Thrall and Robertson: seven carpal bones (radial =
intermedioradial, ulnar, accessory, C1 to C4), seven tarsal bones (talus, calcaneus, central, T1 to
T4), five metacarpal bones, a rudimentary first metatarsal bone before four full ones, two phalanges
in digit I of the fore paw and three in digits II to V, no hind digit I, proximal sesamoids numbered
1 to 8 from medial, an ossified clavicle, a supracondylar but no supratrochlear foramen.
"""

from collections import Counter
from collections.abc import Iterator
from typing import get_args

import pytest

from dicom_service.anatomy import Structure, View, atlas
from dicom_service.anatomy.model import Section

# The minimum sets of views for dog and cat; one entry stands for the named alternatives.
MINIMUM = {
    "shoulder": ("ML", "CdCr"),
    "humerus": ("ML", "CdCr", "CrCd"),
    "elbow": ("ML", "CrCd"),
    "antebrachium": ("ML", "CrCd"),
    "carpus": ("DPa", "ML"),
    "manus": ("DPa", "ML"),
    "hip": ("VD", "extended VD", "Le-Rt", "Rt-Le", "frog-leg VD"),
    "femur": ("ML", "CrCd", "CdCr"),
    "stifle": ("ML", "CdCr", "CrCd"),
    "crus": ("ML", "CdCr", "CrCd"),
    "tarsus": ("DPl", "PlD", "ML"),
    "pes": ("DPl", "ML"),
}
# Further views whose visibility is stated for every structure.
FURTHER = {
    "shoulder": ("supinated ML", "pronated ML", "CrPr-CrDiO"),
    "elbow": ("flexed ML", "Cr15L-CdMO", "Cr15M-CdLO", "Di35M-PrLO"),
    "carpus": ("flexed ML", "stress ML", "D45L-PaMO", "D45M-PaLO", "medial stress DPa"),
    "manus": ("splayed ML", "D45L-PaMO", "D45M-PaLO"),
    "stifle": ("CrPr-CrDiO",),
    "tarsus": ("flexed DPl", "D45L-PlMO", "D45M-PlLO"),
    "pes": ("splayed ML", "D45L-PlMO", "D45M-PlLO"),
}
REGIONS = tuple(MINIMUM)


def structures(region: str) -> dict[str, Structure]:
    found = atlas().region("cat", region)
    assert found is not None
    return {structure.id: structure for structure in found.structures}


def of_kind(region: str, kind: str) -> set[str]:
    return {s.id for s in structures(region).values() if s.kind == kind}


def everything() -> Iterator[tuple[str, Structure]]:
    for region in REGIONS:
        for structure in structures(region).values():
            yield region, structure


def variant_text(region: str, structure: str) -> str:
    return " ".join(v.text for v in structures(region)[structure].variants)


def stated(structure: Structure, label: str) -> bool:
    """Whether the file itself says what `label` shows, by its name or one that it is like."""
    view: View | None = atlas().view(label)
    while view is not None:
        if view.label in structure.shows.views:
            return True
        view = atlas().view(view.like)
    return False


def test_the_cat_has_the_twelve_regions_of_the_limbs() -> None:
    assert set(atlas().regions("cat")) == set(REGIONS)


@pytest.mark.parametrize("region", REGIONS)
def test_the_search_pattern_has_all_five_sections(region: str) -> None:
    assert {s.section for s in structures(region).values()} == set(get_args(Section))


@pytest.mark.parametrize("region", REGIONS)
def test_every_view_of_the_sets_says_what_it_shows_of_every_structure(region: str) -> None:
    for structure in structures(region).values():
        for label in (*MINIMUM[region], *FURTHER.get(region, ())):
            assert atlas().view(label) is not None, label
            assert stated(structure, label), (structure.id, label)


@pytest.mark.parametrize("region", REGIONS)
def test_the_minimum_set_shows_every_structure_but_those_of_special_views(region: str) -> None:
    # Reasoned from geometry: only the skyline looks along the trochlear groove of the femur.
    special = {"stifle": {"trochlear_groove"}}
    hidden = {
        s.id
        for s in structures(region).values()
        if not any(atlas().visibility(s, v) != "no" for v in MINIMUM[region])
    }
    assert hidden == special.get(region, set())


def test_the_carpus_has_seven_bones_and_a_constant_medial_sesamoid() -> None:
    assert of_kind("carpus", "carpal") == {
        "radial_carpal", "ulnar_carpal", "accessory_carpal", "c1", "c2", "c3", "c4"
    }  # fmt: skip
    assert "Constant" in variant_text("carpus", "apl_sesamoid")


def test_the_tarsus_has_seven_bones_and_t4_spans_both_rows() -> None:
    assert of_kind("tarsus", "tarsal") == {
        "talus", "calcaneus", "central_tarsal", "t1", "t2", "t3", "t4"
    }  # fmt: skip
    assert "spans both rows" in variant_text("tarsus", "t4")
    assert of_kind("tarsus", "joint") == {
        "tarsocrural", "talocalcanean", "talocalcaneocentral", "calcaneoquartal",
        "centrodistal", "tarsometatarsal",
    }  # fmt: skip


def test_fore_digit_one_has_two_phalanges_and_hind_digit_one_none() -> None:
    fore = {f"d{n}_p{p}" for n in range(2, 6) for p in (1, 2, 3)} | {"d1_p1", "d1_p3"}
    assert of_kind("manus", "phalanx") == fore
    assert of_kind("pes", "phalanx") == fore - {"d1_p1", "d1_p3"}
    assert of_kind("manus", "metacarpal") == {f"mc{n}" for n in range(1, 6)}
    assert of_kind("pes", "metatarsal") == {f"mt{n}" for n in range(1, 6)}
    assert "rudiment" in variant_text("pes", "mt1")


@pytest.mark.parametrize(("region", "face"), [("manus", "palmar"), ("pes", "plantar")])
def test_sesamoids_are_numbered_from_medial_two_to_a_digit(region: str, face: str) -> None:
    # 1+2 digit II, 3+4 digit III, 5+6 digit IV, 7+8 digit V; 1, 3, 6, 8 abaxial to the limb's axis.
    for number in range(1, 9):
        sesamoid = structures(region)[f"sesamoid_{number}"]
        assert sesamoid.name.startswith(f"{face} sesamoid {number} ")
        assert sesamoid.digit == (number + 3) // 2
        assert ("medial" if number % 2 else "lateral") in sesamoid.name
        assert ("abaxial" in sesamoid.name) == (number in (1, 3, 6, 8))
    groups = Counter(s.group for s in structures(region).values() if s.kind == "sesamoid")
    assert sum(groups[group] for group in groups if group.startswith("dorsal")) == 4


def test_the_number_of_sesamoids_of_digit_one_is_left_open() -> None:
    # One or two in different texts.
    assert "one or two" in variant_text("manus", "sesamoid_d1")


def test_the_four_sesamoids_of_the_stifle_and_the_meniscal_mineral_are_asked_one_by_one() -> None:
    assert of_kind("stifle", "sesamoid") == {
        "patella", "fabella_lateral", "fabella_medial", "popliteal_sesamoid"
    }  # fmt: skip
    # Voss et al. 2017: 64 to 76 % of stifles. University of Florida, Manx: medial fabella.
    assert "64 to 76 %" in variant_text("stifle", "meniscal_ossicle")
    assert "not mineralised" in variant_text("stifle", "fabella_medial")


def test_what_only_the_cat_has_is_named_as_normal() -> None:
    assert "not a foreign body" in variant_text("shoulder", "clavicle")
    assert "suprahamate" in variant_text("shoulder", "acromion")
    for region in ("humerus", "elbow"):
        assert "median nerve" in variant_text(region, "supracondylar_foramen")
        assert not any("supratrochlear" in s for s in structures(region))
    assert "imitates a fragment" in variant_text("elbow", "supinator_sesamoid")
    assert not any("anconeal" in s for s in of_kind("elbow", "physis"))
    # The dog's is conical, which is why it is hurt so often; the cat's is not.
    assert "not cone-shaped" in variant_text("carpus", "ulna_distal")


def test_angles_of_normal_cats_are_those_published() -> None:
    # Dantas et al. 2016, 14 limbs; Kafkas 2025, 56 cats; Swanson et al. 2012, 50 cats.
    assert "11.07 ± 1.87" in variant_text("antebrachium", "sagittal_axis")
    assert "91.46 ± 6.80" in variant_text("hip", "coxofemoral")
    assert "93.8 ± 2.5" in variant_text("femur", "frontal_axis")


def test_one_code_is_one_structure_with_one_name_and_closure_in_every_region() -> None:
    # Only digits of fore and hind paw share words; their closure rows name the limb in a note.
    paws = {f"physis_p{p}_{n}" for p in (1, 2) for n in range(2, 6)}
    first: dict[tuple[str, str], Structure] = {}
    for region, structure in everything():
        seen = first.setdefault(structure.code.key, structure)
        assert (seen.id, seen.name) == (structure.id, structure.name), region
        assert structure.id in paws or seen.closure == structure.closure, region


def test_a_structure_of_the_dog_has_the_dogs_code() -> None:
    # Both species' files of the same region: same id, same code and name.
    compared = 0
    for region in set(atlas().regions("dog")) & set(REGIONS):
        other = atlas().region("dog", region)
        assert other is not None
        for theirs in other.structures:
            ours = structures(region).get(theirs.id)
            if ours is not None and ours.id != "clavicle":
                assert (ours.code, ours.name) == (theirs.code, theirs.name), (region, ours.id)
                compared += 1
    assert compared > 80


def test_left_and_right_halves_of_a_joint_show_on_the_view_along_the_limb_axis() -> None:
    # Geometry: a mediolateral beam lays the medial on the lateral side.
    for region, structure in (
        ("elbow", "trochlea"),
        ("tarsus", "medial_malleolus"),
        ("tarsus", "t2"),
        ("carpus", "c3"),
        ("stifle", "patella_side"),
    ):
        assert atlas().visibility(structures(region)[structure], "ML") == "no"
        assert atlas().visibility(structures(region)[structure], "LM") == "no"


def test_facts_that_were_read_name_a_known_source_and_geometry_claims_none() -> None:
    cited = set()
    for _, structure in everything():
        assert structure.shows.grade == "C"
        cited |= {fact.source for fact in structure.variants if fact.grade == "V"}
        cited |= {row.source for row in structure.closure if row.grade == "V"}
    assert all(atlas().source(identity) for identity in cited)
    assert {"VOSS2017", "UFMANX", "PERRY2014", "MCNICHOLAS2002", "DANTAS2016"} <= cited
