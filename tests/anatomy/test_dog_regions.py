"""The dog's other limb regions, counted against the anatomy texts.

Outside facts, if no other source is named: Miller's Anatomy of the Dog and Thrall & Robertson's
atlas (both from memory). What a view shows is geometry (grade C). Minimum and further views per
region: common practice; the elbow's five views Chanoit et al. 2010.
"""

from collections import Counter

import pytest

from dicom_service.anatomy import Structure, atlas
from dicom_service.codes import SCHEME

MINIMUM = {
    "shoulder": ("ML", "CdCr"),
    "humerus": ("ML", "CdCr"),
    "elbow": ("ML", "CrCd"),
    "antebrachium": ("ML", "CrCd"),
    "hip": ("VD", "Le-Rt"),
    "femur": ("ML", "CrCd"),
    "stifle": ("ML", "CdCr"),
    "crus": ("ML", "CdCr"),
    "tarsus": ("DPl", "ML"),
    "pes": ("DPl", "ML"),
}
FURTHER = {
    "shoulder": ("CrPr-CrDiO", "supinated ML", "pronated ML"),
    "elbow": ("flexed ML", "Cr15L-CdMO", "Cr15M-CdLO", "Di35M-PrLO"),
    "hip": ("frog-leg VD",),
    "stifle": ("CrPr-CrDiO",),
    "tarsus": ("D45L-PlMO", "D45M-PlLO", "flexed DPl"),
    "pes": ("D45L-PlMO", "D45M-PlLO", "splayed ML"),
}
REGIONS = tuple(MINIMUM)


def structures(region: str) -> dict[str, Structure]:
    found = atlas().region("dog", region)
    assert found is not None
    return {structure.id: structure for structure in found.structures}


def of_kind(region: str, kind: str) -> set[str]:
    return {s.id for s in structures(region).values() if s.kind == kind}


def shows(region: str, structure: str) -> dict[str, str]:
    """What each of the region's views shows of a structure."""
    item = structures(region)[structure]
    views = (*MINIMUM[region], *FURTHER.get(region, ()))
    return {view: atlas().visibility(item, view) for view in views}


def stated(structure: Structure, view: str) -> bool:
    """Whether the file itself says what `view` shows, for it or for the view that it is like."""
    labels = [view]
    while (found := atlas().view(labels[-1])) and found.like and found.like not in labels:
        labels.append(found.like)
    return any(label in structure.shows.views for label in labels)


def test_the_dog_has_all_twelve_regions() -> None:
    assert set(atlas().regions("dog")) == {*REGIONS, "carpus", "manus"}


@pytest.mark.parametrize("region", REGIONS)
def test_the_search_pattern_has_all_five_sections(region: str) -> None:
    sections = [s.section for s in structures(region).values()]
    assert list(dict.fromkeys(sections)) == [
        "alignment",
        "bone",
        "cartilage",
        "devices",
        "soft_tissue",
    ]


@pytest.mark.parametrize("region", REGIONS)
def test_every_structure_says_what_each_usual_view_shows_of_it(region: str) -> None:
    for structure in structures(region).values():
        for view in (*MINIMUM[region], *FURTHER.get(region, ())):
            assert stated(structure, view), (structure.id, view)


@pytest.mark.parametrize("region", REGIONS)
def test_every_structure_is_shown_by_at_least_one_view(region: str) -> None:
    for identity in structures(region):
        assert {"well", "partly"} & set(shows(region, identity).values()), identity


@pytest.mark.parametrize("region", REGIONS)
def test_no_code_stands_twice_in_a_region(region: str) -> None:
    codes = Counter(s.code.key for s in structures(region).values())
    assert max(codes.values()) == 1


def test_a_structure_has_one_code_and_one_name_in_every_region() -> None:
    names: dict[tuple[str, str], str] = {}
    codes: dict[str, tuple[str, str]] = {}
    for region in atlas().regions("dog"):
        for structure in structures(region).values():
            if structure.code.scheme == SCHEME:
                code, name = structure.code.key, structure.name
                assert names.setdefault(code, name) == name
                assert codes.setdefault(name, code) == code


def test_visibility_rests_on_no_source_that_was_not_read() -> None:
    for region in REGIONS:
        assert {s.shows.grade for s in structures(region).values()} == {"C"}


# Bones


def test_the_tarsus_has_seven_tarsal_bones() -> None:
    assert of_kind("tarsus", "tarsal") == {
        "talus",
        "calcaneus",
        "central_tarsal",
        "t1",
        "t2",
        "t3",
        "t4",
    }


def test_the_talus_has_two_ridges_and_the_tibia_and_fibula_a_malleolus_each() -> None:
    assert {
        "talus_ridge_medial",
        "talus_ridge_lateral",
        "medial_malleolus",
        "lateral_malleolus",
        "tuber_calcanei",
        "sustentaculum",
    } <= of_kind("tarsus", "bone")


def test_the_pes_has_five_metatarsal_bones_and_at_most_fourteen_phalanges() -> None:
    assert of_kind("pes", "metatarsal") == {f"mt{n}" for n in range(1, 6)}
    phalanges = {f"d{n}_p{row}" for n in range(2, 6) for row in (1, 2, 3)}
    assert of_kind("pes", "phalanx") == phalanges | {"d1_p1", "d1_p3"}


def test_all_that_belongs_to_the_inconstant_first_hind_digit_is_said_to_be_so() -> None:
    for identity in ("mt1", "d1_p1", "d1_p3", "mtp_1", "ip_1"):
        structure = structures("pes")[identity]
        assert structure.digit == 1
        assert any("absent" in variant.text for variant in structure.variants)


def test_the_pes_has_eight_plantar_and_four_dorsal_sesamoids() -> None:
    # Numbered from medial, two to a digit; none at digit I, none dorsally at digit I (IMAIOS,
    # after Miller and Barone).
    pes = structures("pes")
    groups = Counter(s.group for s in pes.values() if s.kind == "sesamoid")
    assert groups == {"plantar sesamoids": 8, "dorsal sesamoids of the pes": 4}
    for number in range(1, 9):
        sesamoid = pes[f"sesamoid_{number}"]
        assert sesamoid.digit == (number + 3) // 2
        assert ("medial" if number % 2 else "lateral") in sesamoid.name
        assert ("abaxial" in sesamoid.name) == (number in (1, 3, 6, 8))


def test_the_stifle_has_four_sesamoids() -> None:
    assert of_kind("stifle", "sesamoid") == {
        "patella",
        "fabella_medial",
        "fabella_lateral",
        "popliteal_sesamoid",
    }


def test_the_elbow_has_the_processes_that_elbow_dysplasia_is_judged_on() -> None:
    # IEWG screening (Tellhelm et al. 2014): anconeal process, coronoid, medial condyle, step.
    assert {
        "anconeal_process",
        "medial_coronoid",
        "lateral_coronoid",
        "trochlea",
        "capitulum",
        "radioulnar_step",
        "trochlear_notch",
        "medial_epicondyle",
        "lateral_epicondyle",
        "radial_head",
        "olecranon",
    } <= set(structures("elbow"))
    assert of_kind("elbow", "sesamoid") == {"supinator_sesamoid"}


def test_the_dog_has_a_supratrochlear_and_no_supracondylar_foramen() -> None:
    for region in ("humerus", "elbow"):
        assert "supratrochlear_foramen" in structures(region)
        assert not [s for s in structures(region).values() if "supracondylar" in s.name]


# Joints


@pytest.mark.parametrize(
    ("region", "joints"),
    [
        ("shoulder", {"scapulohumeral"}),
        ("humerus", {"scapulohumeral", "elbow_joint"}),
        ("elbow", {"humeroradial", "humeroulnar", "proximal_radioulnar"}),
        (
            "antebrachium",
            {"humeroradial", "humeroulnar", "distal_radioulnar", "antebrachiocarpal"},
        ),
        ("hip", {"coxofemoral", "sacroiliac", "pelvic_symphysis"}),
        ("femur", {"coxofemoral", "stifle_joint"}),
        (
            "stifle",
            {
                "femoropatellar",
                "femorotibial_medial",
                "femorotibial_lateral",
                "tibiofibular_proximal",
            },
        ),
        (
            "crus",
            {"stifle_joint", "tibiofibular_proximal", "tibiofibular_distal", "tarsocrural"},
        ),
        (
            "tarsus",
            {
                "tarsocrural",
                "talocalcanean",
                "talocalcaneocentral",
                "calcaneoquartal",
                "centrodistal",
                "tarsometatarsal",
            },
        ),
    ],
)
def test_a_region_has_its_joints(region: str, joints: set[str]) -> None:
    assert of_kind(region, "joint") == joints


def test_each_hind_digit_has_its_joints_and_the_first_a_single_interphalangeal_one() -> None:
    expected = {f"mtp_{n}" for n in range(1, 6)} | {"ip_1"}
    expected |= {f"{row}_{n}" for row in ("pip", "dip") for n in range(2, 6)}
    assert of_kind("pes", "joint") == expected


def test_the_fourth_tarsal_bone_is_said_to_span_both_rows() -> None:
    assert any("both rows" in v.text for v in structures("tarsus")["t4"].variants)


# Physes: Sumner-Smith 1966; Thrall & Robertson


@pytest.mark.parametrize(
    ("region", "physes"),
    [
        ("shoulder", "supraglenoid humerus_proximal"),
        ("humerus", "humerus_proximal humerus_distal humerus_condyle medial_epicondyle"),
        (
            "elbow",
            "humerus_distal humerus_condyle medial_epicondyle radius_proximal ulna_proximal "
            "anconeal",
        ),
        ("antebrachium", "radius_proximal radius_distal ulna_proximal ulna_distal"),
        (
            "hip",
            "acetabulum acetabular_bone femur_capital greater_trochanter lesser_trochanter "
            "ischial_tuberosity ischial_arch iliac_crest",
        ),
        ("femur", "femur_capital greater_trochanter lesser_trochanter femur_distal"),
        (
            "stifle",
            "femur_distal tibia_proximal tuberosity_epiphysis tuberosity_shaft fibula_proximal",
        ),
        (
            "crus",
            "tibia_proximal tuberosity_epiphysis tuberosity_shaft tibia_distal medial_malleolus "
            "fibula_proximal fibula_distal",
        ),
        ("tarsus", "tibia_distal medial_malleolus fibula_distal calcaneus"),
    ],
)
def test_a_region_has_its_physes(region: str, physes: str) -> None:
    assert of_kind(region, "physis") == {f"physis_{name}" for name in physes.split()}


def test_metatarsal_one_grows_proximally_the_others_distally_and_phalanges_proximally() -> None:
    names = {s.id: s.name for s in structures("pes").values() if s.kind == "physis"}
    assert len(names) == 1 + 4 + 4 + 4 + 1
    assert all(names[f"physis_mt{n}"].startswith("distal") for n in range(2, 6))
    assert sum(name.startswith("proximal") for name in names.values()) == 10


# What a view can show: the view that a structure is looked for on


@pytest.mark.parametrize(
    ("region", "structure", "views"),
    [
        ("shoulder", "lesser_tubercle", {"CrPr-CrDiO"}),
        ("shoulder", "intertubercular_groove", {"CrPr-CrDiO"}),
        ("shoulder", "frontal_position", {"CdCr"}),
        ("elbow", "anconeal_process", {"flexed ML"}),
        ("elbow", "medial_coronoid", {"Di35M-PrLO"}),
        ("elbow", "intracondylar", {"Cr15M-CdLO"}),
        ("elbow", "trochlea", {"CrCd", "Cr15L-CdMO"}),
        ("hip", "hip_dorsoventral", {"Le-Rt"}),
        ("hip", "physis_femur_capital", {"frog-leg VD"}),
        ("hip", "femoral_neck_line", {"VD"}),
        ("stifle", "trochlear_groove", {"CrPr-CrDiO"}),
        ("stifle", "infrapatellar_fat", {"ML"}),
        ("stifle", "patella_side", {"CdCr", "CrPr-CrDiO"}),
        ("tarsus", "talus_ridge_lateral", {"D45M-PlLO", "flexed DPl"}),
        ("tarsus", "talus_ridge_medial", {"D45L-PlMO", "flexed DPl"}),
        ("tarsus", "sustentaculum", {"D45M-PlLO"}),
        ("tarsus", "plantar_ligament", {"ML"}),
        ("pes", "dorsal_sesamoid_3", {"ML", "splayed ML"}),
        ("pes", "mt5", {"DPl", "D45L-PlMO"}),
    ],
)
def test_a_structure_is_well_seen_on_the_views_made_for_it(
    region: str, structure: str, views: set[str]
) -> None:
    assert {view for view, seen in shows(region, structure).items() if seen == "well"} == views


@pytest.mark.parametrize("region", ["humerus", "antebrachium", "femur", "crus"])
def test_a_cortex_shows_only_where_the_beam_grazes_it(region: str) -> None:
    sagittal, frontal = MINIMUM[region]
    cortices = {s.name: s.id for s in structures(region).values() if "cortex" in s.name}
    assert len(cortices) == 2
    for name, identity in cortices.items():
        grazed = sagittal if name.startswith("cranial") else frontal
        assert {v for v, seen in shows(region, identity).items() if seen != "no"} == {grazed}
