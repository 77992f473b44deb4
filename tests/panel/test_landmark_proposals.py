"""Proposed landmarks on bodies whose joints are known, in fields that the map does not draw."""

import pytest

from tests.benchmarks.landmark_proposals import (
    WINDOWS,
    answers,
    cases,
    errors,
    errors_across,
    on_the_limb,
)

pytestmark = pytest.mark.long
SHOWN = ("more above", "fetlock to foot")
"""Windows in which the map's own proportions, laid over the image, were up to 62 mm off."""
WORST = {"dog": 8.0, "cat": 6.5, "horse": 14.0}


def test_a_proposal_is_on_the_limb_and_near_its_joint_or_is_withheld() -> None:
    windows = [window for window in WINDOWS if window.name in SHOWN]
    made = list(cases(7, windows, sides=("L",)))
    given = 0
    for case, answer in zip(made, answers(made), strict=True):
        assert case["found"]["refusal"] == ""
        assert answer["without"] == {}, "nothing is said before the reader has set two"
        assert answer["off"] == [], "no true joint is called off the limb"
        for name, wrong in errors(case, answer).items():
            assert wrong < WORST[case["window"].species], (case["window"], case["view"], name)
            assert on_the_limb(case, answer["proposed"][name])
            given += 1
        across = errors_across(case, answer)
        assert bool(across) == (case["window"].species != "horse"), "its digit slopes"
        for name, wrong in across:
            assert wrong < WORST[case["window"].species], (case["window"], case["view"], name)
    assert given == 16
