"""Projections of any angle: read, coded, compared with the known ones.

Outside facts: the trade's orthogonal pairs (ML or LM with CrCd, CdCr, DPa, DPl; the two 45 degree
obliques; VD with lateral; an oblique at 45 degrees is orthogonal only to its mirror); D55-60L-PaMO
and D75M-PaLO of the equine carpus are not orthogonal to each other; Pl45L-DMO shows the profile of
D45M-PlLO; no standard code exists for the navicular skyline Pa45Pr-PaDiO.
"""

import pytest

from dicom_service.anatomy import Structure, atlas
from dicom_service.anatomy.model import Shows, Visibility
from dicom_service.anatomy.nomenclature import degrees_between, parse
from dicom_service.anatomy.projections import NEAREST_DEGREES
from dicom_service.codes import SCHEME, Code


def structure(**views: Visibility) -> Structure:
    return Structure(
        id="x",
        name="x",
        section="bone",
        group="x",
        kind="bone",
        code=Code(value="X", scheme=SCHEME, meaning="x"),
        shows=Shows(
            views={k.replace("_", " "): v for k, v in views.items()}, source="-", grade="C"
        ),
    )


@pytest.mark.parametrize(
    ("text", "label"),
    [
        ("D38L-PaMO", "D38L-PaMO"),
        ("carpus d38l-pamo left", "D38L-PaMO"),
        ("D38L_PAMO", "D38L-PaMO"),
        ("Karpus D38°L-PaM rechts", "D38L-PaMO"),
        ("Cr20M-CdLO", "Cr20M-CdLO"),
        ("dorsal 38 degree lateral-palmaromedial oblique", "D38L-PaMO"),
        ("PA45PR_PADIO", "Pa45Pr-PaDiO"),
        ("navicular skyline", "Pa45Pr-PaDiO"),
        ("hip VD extended", "extended VD"),
        ("D38L-PaMO and ML", None),
        ("oblique 38", None),
        ("room 3 LM view", "LM"),
        ("D4 digit", None),
    ],
)
def test_a_label_of_any_angle_is_read_wherever_it_stands(text: str, label: str | None) -> None:
    assert atlas().find_view(text) == label


def test_an_angle_that_nobody_listed_has_a_name_and_a_code_of_ours() -> None:
    view = atlas().view("D38L-PaMO")
    assert view is not None
    assert view.name == "dorsal 38 degree lateral-palmaromedial oblique"
    assert view.code.key == ("D38L_PAMO", SCHEME)
    assert atlas().view_of_code("D38L_PAMO", SCHEME) == "D38L-PaMO"
    assert atlas().view("d38l-pamo") is None, "a label is written in one way"
    assert atlas().view("mystery") is None
    assert atlas().view("") is None


def test_it_shows_what_the_nearest_known_view_shows_within_the_tolerance() -> None:
    known = atlas()
    seen = structure(**{"D45L-PaMO": "no", "DPa": "well"})
    assert known.visibility(seen, "D38L-PaMO") == "no"
    assert known.visibility(seen, f"D{45 - int(NEAREST_DEGREES)}L-PaMO") == "no"
    assert known.visibility(seen, "D28L-PaMO") == "partly", "17 degrees from either"
    assert known.visibility(seen, "D8L-PaMO") == "well"
    assert known.visibility(seen, "D45L-PlMO") == "partly", "a hindlimb's view says nothing here"


def test_a_view_from_the_other_side_along_the_same_line_shows_the_same() -> None:
    seen = structure(**{"D45M-PlLO": "no"})
    assert atlas().visibility(seen, "Pl45L-DMO") == "no"
    assert atlas().visibility(seen, "Pl40L-DMO") == "no"


def test_the_same_position_counts_before_the_same_beam() -> None:
    known = atlas()
    seen = structure(LM="well", flexed_LM="no")
    assert known.visibility(seen, "flexed ML") == "no"
    assert known.visibility(seen, "ML") == "well"
    assert known.visibility(seen, "weight-bearing LM") == "well"
    only_flexed = structure(flexed_LM="no")
    assert known.visibility(only_flexed, "LM") == "partly"


@pytest.mark.parametrize(
    ("one", "other", "orthogonal"),
    [
        ("ML", "DPa", True),
        ("LM", "CdCr", True),
        ("ML", "DPl", True),
        ("D45L-PaMO", "D45M-PaLO", True),
        ("D45L-PlMO", "D45M-PlLO", True),
        ("VD", "Rt-Le", True),
        ("D45L-PaMO", "DPa", False),
        ("D45L-PaMO", "ML", False),
        ("D55L-PaMO", "D75M-PaLO", False),
        ("D60L-PaMO", "D75M-PaLO", False),
        ("D38L-PaMO", "D45M-PaLO", True),
        ("D38L-PaMO", "D33M-PaLO", True),
        ("D38L-PaMO", "D30M-PaLO", False),
        ("Pl45L-DMO", "D45L-PlMO", True),
        ("D20Pr-PaDiO", "LM", True),
        ("flexed LM", "DPa", True),
        ("stress ML", "medial stress DPa", True),
        ("DPa", "", False),
        ("ML", "mystery", False),
        ("DAR", "ML", False),
    ],
)
def test_right_angles_are_those_of_the_trade_or_of_the_beams(
    one: str, other: str, orthogonal: bool
) -> None:
    assert atlas().are_orthogonal(one, other) is orthogonal
    assert atlas().are_orthogonal(other, one) is orthogonal


def test_what_the_trade_lists_agrees_with_the_geometry() -> None:
    for view in atlas().all_views:
        own = parse(view.label.split(" ")[-1])
        for other in view.orthogonal:
            beam = parse(other)
            assert own is not None
            assert beam is not None
            assert degrees_between(own, beam) == pytest.approx(90, abs=1e-4), (view.label, other)


def test_a_modifier_of_the_human_groups_is_not_read_as_a_view() -> None:
    # 399196006 is "cephalad" and 399162004 "caudad" in CID 4011, the modifiers of human views.
    known = atlas()
    assert known.view_of_code("399260004", "SCT", modifier="399196006") is None
    assert known.view_of_code("399260004") == "ML"


def test_human_codes_are_read_and_not_written() -> None:
    known = atlas()
    assert known.view_of_code("399348003") == "DPa"
    assert known.view_of_code("399067008") == "ML"
    assert not {"399348003", "399067008", "272479007"} & {v.code.value for v in known.all_views}


def test_the_navicular_skyline_has_a_code_of_ours_as_it_leaves_distally_on_the_palmar_side() -> (
    None
):
    skyline, other = atlas().view("Pa45Pr-PaDiO"), atlas().view("PaPr-DDiO")
    assert skyline is not None
    assert other is not None
    assert skyline.code.scheme == SCHEME
    assert other.code.value == "442674000"
