"""Closure of the cat's physes: every row of the reference is used, with its grade and its limits.

Outside facts: the compiled rows (cat) with their sources: Smith 1969 (from memory, M); Clinician's
Brief column on premature closure (CATDISTRADIUS); McNicholas et al. 2002; Miranda et al. 2020;
Perry et al. 2014; Root et al. 1997; University of Florida (UFCATCAPITAL); seminar slides
(CATSCFESLIDES).
"""

import pytest

from dicom_service.anatomy import Closure, Structure, atlas
from dicom_service.intake.model import ImageFacts, Side, Signalment, StudyFacts
from dicom_service.review import build_template
from dicom_service.review.model import PhysisCheck, Template

SMITH = "Smith 1969 (believed)"

# Rows with limits: (row of the reference, physes it is used for, low, high, mean, source, grade).
ROWS = [
    ("scapula supraglenoid", ["physis_supraglenoid"], 3.5, 4, None, SMITH, "M"),
    ("humerus proximal", ["physis_humerus_proximal"], 18, 24, None, SMITH, "M"),
    ("humerus distal condyle", ["physis_humerus_distal"], 3.5, 4, None, SMITH, "M"),
    ("humerus medial epicondyle", ["physis_medial_epicondyle"], 3.5, 4.5, None, SMITH, "M"),
    ("radius proximal", ["physis_radius_proximal"], 5, 7, None, SMITH, "M"),
    ("radius distal", ["physis_radius_distal"], 14, 22, None, SMITH, "M"),
    ("ulna olecranon", ["physis_ulna_proximal"], 9, 13, None, SMITH, "M"),
    ("ulna distal", ["physis_ulna_distal"], 14, 25, None, SMITH, "M"),
    ("accessory carpal", ["physis_accessory"], 3.5, 4.5, None, SMITH, "M"),
    ("metacarpals distal", [f"physis_mc{n}" for n in range(2, 6)], 7, 10, None, SMITH, "M"),
    ("P1 proximal", [f"physis_p1_{n}" for n in range(1, 6)], 4, 5.5, None, SMITH, "M"),
    ("P2 proximal", [f"physis_p2_{n}" for n in range(2, 6)], 4, 5, None, SMITH, "M"),
    ("femur capital", ["physis_femur_capital"], 7, 10, None, SMITH, "M"),
    ("greater trochanter", ["physis_greater_trochanter"], 6.5, 9, None, SMITH, "M"),
    ("lesser trochanter", ["physis_lesser_trochanter"], 8, 11, None, SMITH, "M"),
    ("femur distal", ["physis_femur_distal"], 13, 19, None, SMITH, "M"),
    ("tibia proximal", ["physis_tibia_proximal"], 12, 19, None, SMITH, "M"),
    ("tibial tuberosity", ["physis_tibial_tuberosity"], 9, 18, None, SMITH, "M"),
    ("tibia distal", ["physis_tibia_distal"], 9, 13, None, SMITH, "M"),
    ("fibula proximal", ["physis_fibula_proximal"], 13, 18, None, SMITH, "M"),
    ("fibula distal", ["physis_fibula_distal"], 9, 14, None, SMITH, "M"),
    ("tuber calcanei", ["physis_calcaneus"], 7, 13, None, SMITH, "M"),
    ("metatarsals distal", [f"physis_mt{n}" for n in range(2, 6)], 8, 13, None, SMITH, "M"),
    ("radius distal, intact cats", ["physis_radius_distal"], 14, 20, None, "CATDISTRADIUS", "V"),
    ("femur capital, slides", ["physis_femur_capital"], 6.9, 9.2, None, "CATSCFESLIDES", "V"),
    (
        "femur capital and greater trochanter, non-neutered",
        ["physis_femur_capital", "physis_greater_trochanter"],
        7, 10, None, "UFCATCAPITAL", "V",
    ),
    (
        "distal femur and proximal tibia, end of study",
        ["physis_femur_distal", "physis_tibia_proximal"],
        None, 18, None, "MIRANDA2020", "V",
    ),
    ("ischiopubic", ["physis_ischiopubic"], None, None, 2, "MIRANDA2020", "V"),
]  # fmt: skip

# Rows without limits stand as sentences for the reader: (source, physes, words of it).
SENTENCES = [
    ("MCNICHOLAS2002", "physis_femur_capital", "13 of 18"),
    ("MCNICHOLAS2002", "physis_femur_distal", "19 of 24"),
    ("MCNICHOLAS2002", "physis_tibia_proximal", "24 of 24"),
    ("PERRY2014", "physis_greater_trochanter", "later in neutered than in entire males"),
    ("PERRY2014", "physis_femur_distal", "later in neutered than in entire males"),
    ("PERRY2014", "physis_tibial_tuberosity", "later in neutered than in entire males"),
    ("PERRY2014", "physis_femur_capital", "no effect"),
    ("PERRY2014", "physis_tibia_proximal", "no effect"),
    ("ROOT1997", "physis_radius_distal", "in both sexes"),
    ("ROOT1997", "physis_radius_proximal", "spayed before puberty"),
]

# Physes of the cat's anatomy for which the reference has no row.
WITHOUT_ROW = {
    "physis_humerus_condyle",
    "physis_mc1_proximal",
    "physis_medial_malleolus",
    "physis_acetabulum",
    "physis_ischial_tuberosity",
    "physis_iliac_crest",
    "physis_acetabular_bone",
}


def physes() -> dict[str, list[tuple[str, Structure]]]:
    found: dict[str, list[tuple[str, Structure]]] = {}
    for identity in atlas().regions("cat"):
        region = atlas().region("cat", identity)
        assert region is not None
        for structure in region.structures:
            if structure.kind == "physis":
                found.setdefault(structure.id, []).append((identity, structure))
    return found


def content(row: Closure) -> tuple[object, ...]:
    return (row.low, row.high, row.mean, row.source, row.grade)


@pytest.mark.parametrize("row", ROWS, ids=lambda row: str(row[0]))
def test_every_row_of_the_reference_is_used_wherever_its_physis_is(
    row: tuple[str, list[str], float | None, float | None, float | None, str, str],
) -> None:
    _, names, *values = row
    for name in names:
        assert physes()[name]
        for region, structure in physes()[name]:
            assert tuple(values) in {content(c) for c in structure.closure}, region


def test_no_row_is_made_up() -> None:
    known = {(name, *row[2:]) for row in ROWS for name in row[1]}
    for name, places in physes().items():
        for _, structure in places:
            assert {(name, *content(c)) for c in structure.closure} <= known
            assert bool(structure.closure) == (name not in WITHOUT_ROW)


@pytest.mark.parametrize(("source", "name", "words"), SENTENCES)
def test_rows_without_limits_stand_as_sentences(source: str, name: str, words: str) -> None:
    for _, structure in physes()[name]:
        texts = [v.text for v in structure.variants if (v.source, v.grade) == (source, "V")]
        assert any(words in text for text in texts)


def test_rows_that_may_not_judge_an_age_are_those_of_the_study_that_ended_early() -> None:
    kept = {
        (row.source, row.age_check)
        for places in physes().values()
        for _, structure in places
        for row in structure.closure
        if row.age_check == "no" or row.source == "MIRANDA2020"
    }
    assert kept == {("MIRANDA2020", "no")}


# Templates

VIEWS = {"hip": ("VD", "Le-Rt"), "tarsus": ("DPl", "ML"), "pes": ("DPl", "ML")}
VIEWS |= dict.fromkeys(("carpus", "manus"), ("DPa", "ML"))


def template(region: str, age: float | None, *, neutered: bool | None = None) -> Template:
    side: Side = "B" if region == "hip" else "L"
    images = tuple(
        ImageFacts(
            uid=str(n), series_uid="s", sop_class_uid="c", view=view, side=side, regions=(region,)
        )
        for n, view in enumerate(VIEWS.get(region, ("ML", "CrCd")), start=1)
    )
    animal = Signalment(
        species="cat", breed="European Shorthair", age_months=age, neutered=neutered
    )
    return build_template(StudyFacts(study_uid="9", signalment=animal, images=images))


def check(region: str, physis: str, age: float | None, neutered: bool | None = None) -> PhysisCheck:
    made = template(region, age, neutered=neutered)
    # Past everything published one question, "physes", stands for all of them.
    (found,) = [i.physis for i in made.items if i.structure in (physis, "physes") and i.side == "L"]
    assert found is not None
    return found


@pytest.mark.parametrize("age", [3.0, 8.0, 24.0, None])
@pytest.mark.parametrize("region", atlas().regions("cat"))
def test_templates_list_the_whole_region_at_every_age(region: str, age: float | None) -> None:
    made = template(region, age)
    known = atlas().region("cat", region)
    assert known is not None
    listed = [i for i in made.items if i.side == "L"]
    expected = {s.id for s in known.structures if s.kind != "physis"}
    assert {i.structure for i in listed if i.kind != "physis"} == expected
    assert all(set(i.visibility) == {v.uid for v in made.views} for i in listed)
    assert all(i.physis is not None and i.physis.text for i in listed if i.kind == "physis")


@pytest.mark.parametrize(
    ("age", "expected"), [(3.0, "open"), (8.0, "open"), (24.0, "closed"), (None, "unknown")]
)
def test_the_distal_radius_is_judged_by_the_widest_range(age: float | None, expected: str) -> None:
    # 14 to 20 months in intact cats (CATDISTRADIUS, V), 14 to 22 (Smith 1969, M).
    assert check("antebrachium", "physis_radius_distal", age).expected == expected
    assert check("carpus", "physis_radius_distal", age).expected == expected


@pytest.mark.parametrize(
    ("region", "physis"),
    [
        ("antebrachium", "physis_radius_distal"),
        ("hip", "physis_femur_capital"),
        ("femur", "physis_greater_trochanter"),
    ],
)
def test_an_open_physis_of_a_neutered_cat_is_never_called_late(region: str, physis: str) -> None:
    assert check(region, physis, 24).expected == "closed"
    assert check(region, physis, 24, neutered=True).expected == "either"


@pytest.mark.parametrize(
    ("region", "physis"),
    [("shoulder", "physis_humerus_proximal"), ("stifle", "physis_tibial_tuberosity")],
)
def test_no_age_is_judged_by_rows_from_memory_alone(region: str, physis: str) -> None:
    for age in (3.0, 8.0, 20.0):
        assert check(region, physis, age).expected in ("unknown", "either")


def test_the_end_of_a_study_is_no_upper_limit() -> None:
    # Miranda et al. 2020 followed cats to 18 months; Smith's 19 months is the only upper limit.
    found = check("stifle", "physis_femur_distal", 18.5)
    assert found.expected == "either"
    assert "MIRANDA2020" not in found.source
