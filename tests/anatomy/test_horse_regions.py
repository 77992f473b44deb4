"""The horse's limbs, counted against the anatomy texts, and what is published on its physes.

Outside facts: Nickel, Schummer and Seiferle; Butler et al., Clinical Radiology of the Horse: a
proximal row of four carpal bones (radial, intermediate, ulnar, accessory) and a distal one of C2,
C3, C4 with an inconstant C1 and a rare C5; six tarsal bones (talus, calcaneus, central, T1 and T2
fused, T3, T4); metacarpal and metatarsal bones II to IV; one digit of three phalanges; two
proximal sesamoid bones and one distal (navicular) one; no fabellae, no popliteal sesamoid.
"""

from collections.abc import Iterator
from typing import NamedTuple

import pytest

from dicom_service.anatomy import Region, Structure, atlas

REGIONS = (
    "shoulder",
    "elbow_humerus",
    "carpus",
    "metacarpus",
    "fetlock",
    "pastern_foot",
    "hip_femur",
    "stifle",
    "crus",
    "tarsus",
    "metatarsus_hindfoot",
)


def region(identity: str) -> Region:
    found = atlas().region("horse", identity)
    assert found is not None
    return found


def structures(identity: str) -> dict[str, Structure]:
    return {structure.id: structure for structure in region(identity).structures}


def ids(identity: str, kind: str) -> set[str]:
    return {s.id for s in structures(identity).values() if s.kind == kind}


def texts(structure: Structure) -> str:
    return " ".join(variant.text for variant in structure.variants)


def test_the_horse_has_eleven_regions() -> None:
    assert set(atlas().regions("horse")) == set(REGIONS)


@pytest.mark.parametrize("identity", REGIONS)
def test_the_search_pattern_of_a_region_has_all_five_sections(identity: str) -> None:
    sections = {s.section for s in structures(identity).values()}
    assert sections == {"alignment", "bone", "cartilage", "devices", "soft_tissue"}


def test_the_carpus_has_seven_constant_carpal_bones_and_two_inconstant_ones() -> None:
    parts = {"radial_carpal_dorsal", "intermediate_carpal_dorsal", "c3_radial_facet"}
    proximal = {"radial_carpal", "intermediate_carpal", "ulnar_carpal", "accessory_carpal"}
    assert ids("carpus", "carpal") - parts == proximal | {"c1", "c2", "c3", "c4", "c5"}
    assert "inconstant" in structures("carpus")["c1"].name
    assert "rare" in structures("carpus")["c5"].name


def test_the_radial_and_intermediate_carpal_bones_are_not_fused_as_in_the_dog() -> None:
    dog = atlas().region("dog", "carpus")
    assert dog is not None
    fused = next(s.code for s in dog.structures if s.id == "radial_carpal")
    horse = structures("carpus")
    assert fused not in (horse["radial_carpal"].code, horse["intermediate_carpal"].code)
    assert horse["ulnar_carpal"].code in {s.code for s in dog.structures}


def test_the_tarsus_has_six_tarsal_bones_with_the_first_two_fused() -> None:
    expected = {"talus", "calcaneus", "central_tarsal", "t1_t2", "t3", "t4"}
    assert ids("tarsus", "tarsal") == expected
    assert "fused" in structures("tarsus")["t1_t2"].name


@pytest.mark.parametrize(("identity", "row"), [("metacarpus", "mc"), ("metatarsus_hindfoot", "mt")])
def test_there_are_three_metapodial_bones(identity: str, row: str) -> None:
    whole = {s for s in structures(identity) if s.startswith(row) and len(s) == 3}
    assert whole == {f"{row}{n}" for n in (2, 3, 4)}


@pytest.mark.parametrize("identity", ["pastern_foot", "metatarsus_hindfoot"])
def test_the_digit_has_three_phalanges_and_one_navicular_bone(identity: str) -> None:
    found = structures(identity)
    assert {i for i in found if i.startswith("d3_p")} == {"d3_p1", "d3_p2", "d3_p3"}
    assert "navicular" in found
    side = "plantar" if identity == "metatarsus_hindfoot" else "palmar"
    processes = {f"p3_{side}_process_medial", f"p3_{side}_process_lateral"}
    assert processes | {"p3_extensor_process", "p3_solar_margin"} <= set(found)


@pytest.mark.parametrize("identity", ["fetlock", "metatarsus_hindfoot"])
def test_there_are_two_proximal_sesamoid_bones(identity: str) -> None:
    proximal = {i for i in ids(identity, "sesamoid") if i.startswith("sesamoid")}
    assert proximal == {"sesamoid_medial", "sesamoid_lateral"}


def test_the_stifle_has_no_sesamoid_but_the_patella_and_three_patellar_ligaments() -> None:
    assert ids("stifle", "sesamoid") == {"patella"}
    ligaments = {i for i in structures("stifle") if i.startswith("patellar_ligament")}
    assert ligaments == {f"patellar_ligament_{n}" for n in ("medial", "intermediate", "lateral")}
    assert {"trochlear_ridge_medial", "trochlear_ridge_lateral"} <= set(structures("stifle"))


def test_the_joints_of_each_region_are_the_named_ones() -> None:
    # Nickel, Schummer and Seiferle; the femorotibial joint of the horse has two compartments.
    expected = {
        "shoulder": {"scapulohumeral"},
        "elbow_humerus": {"elbow_joint", "radioulnar_synostosis"},
        "carpus": {
            "antebrachiocarpal",
            "middle_carpal",
            "carpometacarpal",
            "intercarpal_accessory",
        },
        "fetlock": {"mcp_3", "metacarposesamoid"},
        "pastern_foot": {"pip_3", "dip_3"},
        "hip_femur": {"coxofemoral", "sacroiliac", "pelvic_symphysis"},
        "stifle": {
            "femoropatellar",
            "femorotibial_medial",
            "femorotibial_lateral",
            "tibiofibular_proximal",
        },
        "tarsus": {
            "tarsocrural",
            "talocalcanean",
            "proximal_intertarsal",
            "centrodistal",
            "tarsometatarsal",
        },
        "metatarsus_hindfoot": {
            "tarsometatarsal",
            "intermetatarsal_2_3",
            "intermetatarsal_3_4",
            "mtp_3",
            "metatarsosesamoid",
            "pip_3",
            "dip_3",
        },
    }
    for identity, joints in expected.items():
        assert ids(identity, "joint") == joints, identity


def test_the_femur_has_three_trochanters_and_the_humerus_three_tubercles() -> None:
    trochanters = {i for i in structures("hip_femur") if i.endswith("trochanter")}
    assert {i for i in trochanters if not i.startswith("physis")} == {
        "greater_trochanter",
        "lesser_trochanter",
        "third_trochanter",
    }
    tubercles = {i for i in structures("shoulder") if i.endswith("tubercle")}
    assert {"greater_tubercle", "intermediate_tubercle", "lesser_tubercle"} <= tubercles


def test_the_hindlimb_has_the_counterpart_of_every_structure_of_the_forelimb() -> None:
    # Not in the hind list: parts of the forelimb's own joints (carpus), the check ligament (weak or
    # absent in the hindlimb), the ergot and the tissue named by region.
    fore_only = {
        "frontal_axis", "sagittal_axis", "sagittal_alignment", "carpometacarpal", "p1_proximal",
        "accessory_ligament_ddft", "ergot", "synovial_pad", "extensor_tendon", "pastern_dorsal",
        "pastern_palmar",
    }  # fmt: skip
    fore = {s for r in ("metacarpus", "fetlock", "pastern_foot") for s in structures(r)}
    fore -= fore_only
    renamed = (("mc", "mt"), ("metacarpo", "metatarso"), ("metacarpal", "metatarsal"))
    for old, new in (*renamed, ("palmar", "plantar"), ("physis_mc", "physis_mt")):
        fore = {i.replace(old, new, 1) for i in fore}
    assert fore <= set(structures("metatarsus_hindfoot"))


def test_shoes_and_nails_are_devices_of_both_feet() -> None:
    for identity in ("pastern_foot", "metatarsus_hindfoot"):
        assert ids(identity, "devices") == {"devices", "shoe", "shoe_nails"}


BUTLER = "Butler et al., Clinical Radiology of the Horse"


class Row(NamedTuple):
    """A published statement on closure in months, and the physes that carry it."""

    low: float | None
    high: float | None
    source: str
    judges: bool
    physes: tuple[tuple[str, str], ...]


# The closure table from memory of Butler et al. (grade M), then the papers that were read. Rows
# of one breed (Icelandic horse, Quarter Horse) neither widen nor narrow the range for others.
ROWS = (
    Row(9, 18, BUTLER, True, (("shoulder", "physis_supraglenoid"),)),
    Row(24, 42, BUTLER, True, (("shoulder", "physis_humerus_proximal"),)),
    Row(11, 34, BUTLER, True, (("elbow_humerus", "physis_humerus_distal"),)),
    Row(11, 25, BUTLER, True, (("elbow_humerus", "physis_radius_proximal"),)),
    Row(22, 42, BUTLER, True, (("carpus", "physis_radius_distal"),)),
    Row(2, 12, BUTLER, True, (("carpus", "physis_ulna_styloid"),)),
    Row(24, 36, BUTLER, True, (("elbow_humerus", "physis_ulna_proximal"),)),
    Row(6, 18, BUTLER, True, (("metacarpus", "physis_mc3"), ("fetlock", "physis_mc3"))),
    Row(6, 18, BUTLER, True, (("metatarsus_hindfoot", "physis_mt3"),)),
    Row(6, 15, BUTLER, True, (("fetlock", "physis_p1_3"), ("pastern_foot", "physis_p1_3"))),
    Row(6, 15, BUTLER, True, (("metatarsus_hindfoot", "physis_p1_3"),)),
    Row(6, 12, BUTLER, True, (("pastern_foot", "physis_p2_3"),)),
    Row(6, 12, BUTLER, True, (("metatarsus_hindfoot", "physis_p2_3"),)),
    Row(24, 36, BUTLER, True, (("hip_femur", "physis_femur_capital"),)),
    Row(18, 36, BUTLER, True, (("hip_femur", "physis_greater_trochanter"),)),
    Row(22, 42, BUTLER, True, (("hip_femur", "physis_femur_distal"),)),
    Row(22, 42, BUTLER, True, (("stifle", "physis_femur_distal"),)),
    Row(24, 42, BUTLER, True, (("stifle", "physis_tibia_proximal"),)),
    Row(24, 42, BUTLER, True, (("crus", "physis_tibia_proximal"),)),
    Row(9, 14, BUTLER, True, (("stifle", "physis_tuberosity_epiphysis"),)),
    Row(9, 14, BUTLER, True, (("crus", "physis_tuberosity_epiphysis"),)),
    Row(24, 36, BUTLER, True, (("stifle", "physis_tuberosity_shaft"),)),
    Row(24, 36, BUTLER, True, (("crus", "physis_tuberosity_shaft"),)),
    Row(17, 24, BUTLER, True, (("crus", "physis_tibia_distal"), ("tarsus", "physis_tibia_distal"))),
    Row(3, 24, BUTLER, True, (("crus", "physis_lateral_malleolus"),)),
    Row(3, 24, BUTLER, True, (("tarsus", "physis_lateral_malleolus"),)),
    Row(19, 36, BUTLER, True, (("tarsus", "physis_calcaneus"),)),
    Row(8.1, 8.5, "STRAND2007", False, (("fetlock", "physis_p1_3"),)),
    Row(8.1, 8.5, "STRAND2007", False, (("pastern_foot", "physis_p1_3"),)),
    Row(8.1, 8.5, "STRAND2007", False, (("pastern_foot", "physis_p2_3"),)),
    Row(27.4, 32.0, "STRAND2007", False, (("carpus", "physis_radius_distal"),)),
    Row(31.5, 32.2, "STRAND2007", False, (("elbow_humerus", "physis_ulna_proximal"),)),
    Row(27.0, 40.1, "STRAND2007", False, (("stifle", "physis_femur_distal"),)),
    Row(27.0, 40.1, "STRAND2007", False, (("stifle", "physis_tibia_proximal"),)),
    Row(27.0, 40.1, "STRAND2007", False, (("hip_femur", "physis_femur_distal"),)),
    Row(27.0, 40.1, "STRAND2007", False, (("crus", "physis_tibia_proximal"),)),
    Row(30, 36, "UFTIBIALTUB", True, (("stifle", "physis_tuberosity_shaft"),)),
    Row(30, 36, "UFTIBIALTUB", True, (("crus", "physis_tuberosity_shaft"),)),
    Row(4.1, 6.9, "SMALLWOOD1989", False, (("pastern_foot", "physis_p2_3"),)),
    Row(5.1, 8.7, "SMALLWOOD1989", False, (("fetlock", "physis_p1_3"),)),
    Row(5.1, 8.7, "SMALLWOOD1989", False, (("pastern_foot", "physis_p1_3"),)),
    Row(6, None, "QH_MC3", False, (("metacarpus", "physis_mc3"), ("fetlock", "physis_mc3"))),
)


def carried() -> Iterator[tuple[str, str, float | None, float | None, str, bool]]:
    for identity in REGIONS:
        for structure in structures(identity).values():
            for row in structure.closure:
                judges = row.age_check == "yes"
                yield identity, structure.id, row.low, row.high, row.source, judges


def test_the_physes_carry_the_published_rows_and_no_others() -> None:
    expected = [
        (identity, physis, row.low, row.high, row.source, row.judges)
        for row in ROWS
        for identity, physis in row.physes
    ]
    assert sorted(carried(), key=str) == sorted(expected, key=str)


def test_a_row_keeps_its_grade() -> None:
    for identity in REGIONS:
        for structure in structures(identity).values():
            for row in structure.closure:
                assert row.grade == ("M" if row.source == BUTLER else "V")
                assert row.note or row.grade == "M"


def test_rows_that_tell_no_closure_are_sentences() -> None:
    # No physis: accessory carpal (Butler). Appearance, not closure: SMALLWOOD1989, FOALCUBOIDAL.
    assert "no physis" in texts(structures("carpus")["accessory_carpal"])
    assert "4 to 38 weeks" in texts(structures("metacarpus")["splint_ends"])
    assert "254 days" in texts(structures("carpus")["radial_carpal"])
    assert "125 days" in texts(structures("tarsus")["talus"])


def test_physes_without_a_published_row_are_the_known_ones() -> None:
    bare = {
        s.id
        for identity in REGIONS
        for s in structures(identity).values()
        if s.kind == "physis" and not s.closure
    }
    assert bare == {
        "physis_glenoid",
        "physis_greater_tubercle",
        "physis_medial_epicondyle",
        "physis_mc2",
        "physis_mc4",
        "physis_mt2",
        "physis_mt4",
        "physis_acetabulum",
        "physis_ischial_tuberosity",
        "physis_lesser_trochanter",
        "physis_third_trochanter",
    }


def test_every_verified_fact_names_a_source_and_every_fact_a_grade() -> None:
    known = atlas()
    for identity in REGIONS:
        for structure in structures(identity).values():
            assert structure.shows.grade == "C"
            for fact in (*structure.variants, *structure.closure):
                assert fact.grade != "V" or known.source(fact.source) is not None
