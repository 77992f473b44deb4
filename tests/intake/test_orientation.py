"""Patient Orientation is read by its alphabet, and images hang proximal up, front to the left."""

from collections.abc import Callable

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from dicom_service.intake import describe
from dicom_service.intake.orientation import Hanging, hang, parse_direction, parse_orientation

PROXIMAL_DISTAL = [("PR", "DI")]
FRONT_BACK = [("CR", "CD"), ("D", "PA"), ("D", "PL")]
SIDES = [("L", "M"), ("LE", "RT")]
QUADRUPED = ["LE", "RT", "D", "V", "CR", "CD", "R", "M", "L", "PR", "DI", "PA", "PL"]


def seen(right: tuple[str, str], down: tuple[str, str], turn: Hanging) -> dict[str, str]:
    """What stands at each edge of the screen; numpy turns the picture, not our own code."""
    picture = np.full((3, 3), "", dtype=object)
    picture[1, 2], picture[1, 0] = right
    picture[2, 1], picture[0, 1] = down
    if turn.flip_horizontal:
        picture = np.fliplr(picture)
    picture = np.rot90(picture, k=-turn.rotation // 90)  # rot90 turns counter-clockwise
    return {
        "left": picture[1, 0],
        "right": picture[1, 2],
        "up": picture[0, 1],
        "down": picture[2, 1],
    }


def either_way(pairs: list[tuple[str, str]]) -> st.SearchStrategy[tuple[str, str]]:
    return st.sampled_from(pairs).flatmap(lambda p: st.sampled_from([p, p[::-1]]))


def arranged(
    across: tuple[str, str], along: tuple[str, str], swapped: bool
) -> tuple[Hanging, dict[str, str]]:
    """The turn for an image with these two axes, and what is then seen."""
    right, down = (along, across) if swapped else (across, along)
    turn = hang(parse_orientation((right[0], down[0]), "QUADRUPED", animal=True))
    return turn, seen(right, down, turn)


@given(either_way(FRONT_BACK), either_way(PROXIMAL_DISTAL), st.booleans())
def test_every_lateral_hangs_proximal_up_and_front_left(
    across: tuple[str, str], along: tuple[str, str], swapped: bool
) -> None:
    turn, edges = arranged(across, along, swapped)
    assert turn.hung
    assert (edges["up"], edges["down"]) == ("PR", "DI")
    assert edges["left"] in {"CR", "D"}


@given(either_way(SIDES), either_way(PROXIMAL_DISTAL), st.booleans())
def test_every_frontal_view_hangs_proximal_up_and_is_not_mirrored(
    across: tuple[str, str], along: tuple[str, str], swapped: bool
) -> None:
    turn, edges = arranged(across, along, swapped)
    assert turn.hung
    assert (edges["up"], edges["down"]) == ("PR", "DI")
    assert not turn.flip_horizontal


@pytest.mark.parametrize(
    ("values", "stated", "animal", "turn"),
    [
        (("PA", "DI"), "QUADRUPED", True, (0, False)),
        (("L", "DI"), "QUADRUPED", True, (0, False)),
        (("D", "DI"), "QUADRUPED", True, (0, True)),
        (("PA", "PR"), "QUADRUPED", True, (180, True)),
        (("PAL", "DI"), "QUADRUPED", True, (0, False)),  # oblique: refinement ignored
        (("R", "H"), "BIPED", False, (180, False)),
        (("H", "L"), "BIPED", False, (270, False)),
        (("R", "F"), "", False, (0, False)),
        (("F", "L"), "", False, (90, False)),
        (("L", "F"), "", True, (0, False)),  # an animal, described in the other alphabet
        (("P", "F"), "", True, (0, False)),
        (("A", "F"), "", True, (0, True)),
        (("LE", "CD"), "QUADRUPED", True, (0, False)),  # ventrodorsal pelvis: cranial up
        (("CD", "V"), "QUADRUPED", True, (0, False)),  # lateral trunk: dorsal up
    ],
)
def test_orientations_as_cameras_write_them(
    values: tuple, stated: str, animal: bool, turn: tuple
) -> None:
    hanging = hang(parse_orientation(values, stated, animal))
    assert hanging == (*turn, True)


def test_r_is_rostral_in_a_quadruped_and_right_in_a_biped() -> None:
    quadruped, biped = parse_direction("R", "QUADRUPED"), parse_direction("R", "BIPED")
    assert (quadruped.principal, biped.principal) == ("R", "RT")


@given(st.lists(st.sampled_from(QUADRUPED), min_size=1, max_size=3, unique=True))
def test_joined_codes_are_split_again(codes: list[str]) -> None:
    direction = parse_direction("".join(codes), "QUADRUPED")
    opposite = [{"LE", "RT"}, {"D", "V"}, {"D", "PA"}, {"D", "PL"}, {"CR", "CD"}, {"R", "CD"}]
    opposite += [{"M", "L"}, {"PR", "DI"}]
    if any(pair <= set(codes) for pair in opposite):
        assert direction is None
    else:
        assert direction.codes == tuple(codes)


@given(st.lists(st.text(max_size=6), max_size=3), st.sampled_from(["", "QUADRUPED", "BIPED"]))
def test_no_text_breaks_the_parser(values: list[str], stated: str) -> None:
    turn = hang(parse_orientation(tuple(values), stated, animal=True))
    assert turn.hung or turn == Hanging()


@pytest.mark.parametrize("values", [[], ["", ""], ["X", "Y"], ["DI", "PR"], ["DI"]])
def test_an_image_without_orientation_is_shown_as_stored_and_says_so(
    values: list[str], facts: Callable, remark: Callable
) -> None:
    described = facts(PatientOrientation=values)
    image = described.images[0]
    assert (image.hung, image.rotation, image.flip_horizontal) == (False, 0, False)
    assert remark(described, "not_hung").text == (
        "ML of the right carpus: Patient Orientation is missing or not understood, so this is "
        "shown as stored; turn it by hand."
    )


def test_an_orientation_of_another_kind_of_view_is_said(facts: Callable, remark: Callable) -> None:
    described = facts(PatientOrientation=["L", "DI"])
    assert (
        "that of a frontal view, but the view is ML" in remark(described, "orientation_view").text
    )


def test_hanging_reaches_the_image(header: Callable) -> None:
    (image,) = describe([header(PatientOrientation=["D", "DI"])]).images
    assert (image.rotation, image.flip_horizontal, image.hung) == (0, True, True)
