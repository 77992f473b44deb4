"""The nomenclature of projections, against the standard's own list of views for animals.

Outside facts: pydicom's copy of CID 7484; PS3.3 C.8.1.1 (View Position of animals: capitals with an
underscore, CD10DI_CRPRO); Smallwood et al. 1985 (the angle runs from the first direction towards
the second, so D45L is 45 degrees lateral of dorsal).
"""

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st
from pydicom.sr._cid_dict import cid_concepts
from pydicom.sr._concepts_dict import concepts

from dicom_service.anatomy import atlas
from dicom_service.anatomy.nomenclature import (
    Projection,
    Turn,
    beam,
    capitals,
    degrees_between,
    label,
    parse,
    parse_name,
    segments,
    spoken,
)

FACES = [("D", "Pa"), ("D", "Pl"), ("Pa", "D"), ("Pl", "D"), ("Cr", "Cd"), ("Cd", "Cr")]
SIDES = [("L", "M"), ("M", "L")]
ENDS = [("Pr", "Di"), ("Di", "Pr")]
ANGLES = st.none() | st.integers(1, 179)


def of_animals() -> dict[str, str]:
    """Value -> meaning of CID 7484."""
    return {
        value: meaning
        for scheme, keywords in cid_concepts[7484].items()
        for keyword in keywords
        for value, (meaning, cids) in concepts[scheme][keyword].items()
        if 7484 in cids
    }


@st.composite
def projections(draw: st.DrawFn) -> Projection:
    first = draw(st.sampled_from(["face", "side", "end"]))
    axes = {"face": FACES, "side": SIDES, "end": ENDS}
    ways = [draw(st.sampled_from(axes[first]))]
    others = draw(st.permutations([axis for axis in axes if axis != first]))
    turns = []
    for axis in others[: draw(st.integers(0, 2))]:
        way = draw(st.sampled_from(axes[axis]))
        ways.append(way)
        turns.append(Turn(draw(ANGLES), way[0]))
    leaves = [way[1] for way in ways]
    if len(turns) and turns[0].towards in ("Pr", "Di") and draw(st.booleans()):
        leaves[0] = ways[0][0]  # a skyline
    return Projection(ways[0][0], tuple(turns), tuple(leaves))


@given(projections())
def test_what_is_written_is_read_as_the_same(projection: Projection) -> None:
    assert parse(label(projection)) == projection
    assert parse(capitals(projection)) == projection
    assert parse_name(spoken(projection)) == projection


@given(projections())
def test_case_hyphen_and_the_o_of_oblique_do_not_matter(projection: Projection) -> None:
    written = label(projection)
    assert parse(written.lower()) == projection
    assert parse(written.removesuffix("O")) == projection


@given(projections())
def test_a_beam_has_the_length_one_and_is_parallel_to_itself(projection: Projection) -> None:
    assert math.hypot(*beam(projection)) == pytest.approx(1)
    assert degrees_between(projection, projection) == pytest.approx(0, abs=1e-4)


@given(st.text("DLMPaCrdOi0459-_ ", max_size=16))
def test_any_text_is_a_projection_that_can_be_written_or_none(text: str) -> None:
    found = parse(text)
    assert found is None or parse(label(found)) == found


@pytest.mark.parametrize(
    ("text", "direction", "angle", "towards", "leaves", "oblique"),
    [
        ("D45L-PaMO", "D", 45, "L", ("Pa", "M"), True),
        ("Cd10Di-CrPrO", "Cd", 10, "Di", ("Cr", "Pr"), True),
        ("Cr15L-CdMO", "Cr", 15, "L", ("Cd", "M"), True),
        ("D65Pr-PaDiO", "D", 65, "Pr", ("Pa", "Di"), True),
        ("D0-PaO", "D", 0, "", ("Pa",), True),
        ("DLPaMO", "D", None, "L", ("Pa", "M"), True),
        ("DPa", "D", None, "", ("Pa",), False),
        ("D45°L-PaMO", "D", 45, "L", ("Pa", "M"), True),
        ("CD10DI_CRPRO", "Cd", 10, "Di", ("Cr", "Pr"), True),
    ],
)
def test_a_label_is_taken_apart(
    text: str, direction: str, angle: int | None, towards: str, leaves: tuple[str], oblique: bool
) -> None:
    found = parse(text)
    assert found is not None
    assert (found.direction, found.angle, found.towards) == (direction, angle, towards)
    assert (found.exit, found.oblique) == (leaves, oblique)


@pytest.mark.parametrize(
    "text",
    ["", "CR", "DR", "MR", "D45", "D45-Pa", "D45D-PaPaO", "D45L-DMO", "LMO", "DL", "D200L-PaMO",
     "DCd", "D1P3", "digit 4", "D45L-PaMO-x", "45L-PaMO", "D45L-Pa45MO"],
)  # fmt: skip
def test_what_is_no_projection_is_refused(text: str) -> None:
    assert parse(text) is None


def test_the_words_of_every_animal_view_of_the_standard_are_read() -> None:
    meanings = of_animals()
    assert len(meanings) == 80
    read = {meaning: parse_name(meaning) for meaning in meanings.values()}
    assert [meaning for meaning, found in read.items() if found is None] == []
    assert len({label(found) for found in read.values() if found}) == 80


def test_every_view_of_a_limb_or_pelvis_in_the_standard_is_in_the_data_with_its_code() -> None:
    known = atlas()
    for value, meaning in of_animals().items():
        found = parse_name(meaning)
        assert found is not None
        oblique_of_head_or_trunk = found.oblique and segments(found) == {"trunk"}
        if oblique_of_head_or_trunk or "ostro" in meaning:
            continue
        scheme = "DCM" if value == "123019" else "SCT"
        assert known.view_of_code(value, scheme) == label(found), meaning
        view = known.view(label(found))
        assert view is not None
        assert view.code.meaning == meaning


def test_words_that_the_standard_prints_are_those_that_are_generated() -> None:
    assert spoken(Projection("D", (Turn(45, "L"),), ("Pa", "M"))) == (
        "dorsal 45 degree lateral-palmaromedial oblique"
    )
    # The standard leaves "oblique" out of some and shortens two; the rest agrees to the letter.
    for meaning in of_animals().values():
        found = parse_name(meaning)
        assert found is not None
        if found.oblique:
            printed = meaning.casefold().replace(" deg ", " degree ")
            printed = printed.removesuffix(" oblique").removesuffix(" obliq")
            assert spoken(found) == f"{printed} oblique"


@pytest.mark.parametrize(
    ("one", "other", "degrees"),
    [
        ("DPa", "ML", 90),
        ("DPa", "PaD", 0),
        ("D45L-PaMO", "D45M-PaLO", 90),
        ("D45L-PaMO", "DPa", 45),
        ("D60L-PaMO", "D75M-PaLO", 45),
        ("Pl45L-DMO", "D45M-PlLO", 0),
        ("D60Pr-PaDiO", "LM", 90),
        ("VD", "Le-Rt", 90),
        ("D20Pr-PaDiO", "DPa", 20),
        ("Cd60L-CrMO", "CdCr", 60),
    ],
)
def test_angles_between_beams_follow_from_their_directions(
    one: str, other: str, degrees: float
) -> None:
    first, second = parse(one), parse(other)
    assert first is not None
    assert second is not None
    assert degrees_between(first, second) == pytest.approx(degrees, abs=1e-4)
