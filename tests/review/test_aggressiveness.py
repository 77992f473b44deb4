"""How aggressive a lesion looks.

Outside fact: the table of AGGR2009 (Gonzalez, WSAVA 2009). Non-aggressive: no or geographic
destruction, cortex intact or thick, sharp transition, smooth periosteal reaction, no or slow change
within 10 days. Aggressive: moth-eaten or permeative, cortex broken, indistinct transition,
interrupted reaction, marked change.
"""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from dicom_service.anatomy import atlas
from dicom_service.review import aggressiveness
from dicom_service.review.model import Finding

COLUMNS = {
    "non_aggressive": (
        "lysis_geographic",
        "cortex_intact",
        "cortical_thickening",
        "transition_short",
        "periosteal_solid",
        "rate_none",
    ),
    "aggressive": (
        "lysis_moth_eaten",
        "lysis_permeative",
        "cortical_destruction",
        "transition_long",
        "periosteal_interrupted",
        "rate_marked",
    ),
}


def finding(*descriptors: str, word: str = "") -> Finding:
    return Finding.model_validate(
        {"id": "f", "item": "i", "view": "v", "descriptors": descriptors, "aggressiveness": word}
    )


@pytest.mark.parametrize(("word", "features"), COLUMNS.items())
def test_a_column_of_the_table_gives_its_word(word: str, features: tuple[str, ...]) -> None:
    for feature in features:
        assert aggressiveness(finding(feature)).word == word
    assert aggressiveness(finding(*features)).word == word


@pytest.mark.parametrize(
    ("descriptors", "word"),
    [
        (("lysis_permeative", "transition_short", "cortex_intact"), "indeterminate"),
        (("lysis_permeative", "cortical_destruction", "transition_short"), "aggressive"),
        (("lysis_geographic", "transition_short", "sclerotic_rim"), "non_aggressive"),
        (("periosteal_lamellar",), "indeterminate"),
        (("periosteal_lamellar", "transition_short"), "non_aggressive"),
        (("periosteal_sunburst", "lysis_moth_eaten"), "aggressive"),
        (("cortical_thinning",), "indeterminate"),
        (("osteophyte", "fracture_line"), ""),
        ((), ""),
    ],
)
def test_mixed_features(descriptors: tuple[str, ...], word: str) -> None:
    assert aggressiveness(finding(*descriptors)).word == word


def test_the_word_is_explained_and_graded_by_the_weakest_of_what_it_rests_on() -> None:
    judged = aggressiveness(finding("lysis_permeative", "transition_long"))
    assert judged.why == "aggressive by permeative lysis, long zone of transition."
    assert "AGGR2009" in judged.source
    assert judged.grade == "C"


def test_the_readers_word_overrules_and_what_the_features_say_is_kept() -> None:
    judged = aggressiveness(finding("lysis_geographic", word="aggressive"))
    assert judged.word == "aggressive"
    assert "the features say non-aggressive: non-aggressive by geographic lysis." in judged.why
    assert judged.source == "the reader"


@given(st.sets(st.sampled_from(sorted({d for rule in atlas().aggressiveness for d in rule.any}))))
def test_more_aggressive_features_never_make_a_lesion_less_aggressive(chosen: set[str]) -> None:
    order = ["", "non_aggressive", "indeterminate", "aggressive"]
    before = order.index(aggressiveness(finding(*chosen)).word)
    after = order.index(aggressiveness(finding(*chosen, "lysis_permeative")).word)
    assert after >= before
