"""Finding projections, parts and species in what machines and people write into headers.

Outside facts: View Position of animals holds the Smallwood name in capitals with underscores
(DICOM PS3.3 CR Series, C.8.1.1); standard codes are those of CID 7482, 7484 and 7454.
"""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from dicom_service.anatomy import atlas


@pytest.mark.parametrize(
    ("text", "label"),
    [
        ("D45L_PAMO", "D45L-PaMO"),
        ("D45M-PaLO", "D45M-PaLO"),
        ("D45L-PaM", "D45L-PaMO"),
        ("Dorsal 45 degree lateral-palmaromedial oblique", "D45L-PaMO"),
        ("DPA", "DPa"),
        ("AP", "DPa"),
        ("DP", "DPa"),
        ("LAT", "ML"),
        ("medio-lateral", "ML"),
        ("LM", "LM"),
        ("CC", "CrCd"),
        ("LT CARPUS DPa", "DPa"),
        ("Karpus links ML", "ML"),
        ("Carpus ML stressed", "stress ML"),
        ("manus ML splayed digits", "splayed ML"),
    ],
)
def test_a_projection_is_found_in_a_header(text: str, label: str) -> None:
    assert atlas().find_view(text) == label


@pytest.mark.parametrize(
    "text", ["", "carpus", "AP/LAT", "DPa + ML", "lateral oblique", "skyline", "LAT STRESS", "12"]
)
def test_a_doubtful_text_names_no_projection(text: str) -> None:
    assert atlas().find_view(text) is None


@pytest.mark.parametrize(
    ("text", "regions"),
    [
        ("CARPUS", ("carpus",)),
        ("Vorderfußwurzel links", ("carpus",)),
        ("VORDERFUSSWURZEL", ("carpus",)),
        ("poignet gauche", ("carpus",)),
        ("Carpus/Manus", ("carpus", "manus")),
        ("front paw R", ("manus",)),
        ("Épaule", ("shoulder",)),
        ("thorax", ()),
    ],
)
def test_parts_of_the_limb_are_found_in_several_languages(
    text: str, regions: tuple[str, ...]
) -> None:
    assert atlas().find_regions(text) == regions
    assert atlas().find_region(text) == (regions[0] if len(regions) == 1 else None)


@pytest.mark.parametrize(
    ("text", "species"),
    [("Canis lupus familiaris", "dog"), ("HUND", "dog"), ("Katze", "cat"), ("Equine", "horse")],
)
def test_a_species_is_found_by_its_common_words(text: str, species: str) -> None:
    assert atlas().find_species(text) == species


def test_a_human_is_no_species_of_ours() -> None:
    assert atlas().find_species("Homo sapiens") is None


def test_codes_find_what_they_stand_for() -> None:
    known = atlas()
    assert known.species_of_code("448771007") == "dog"
    assert known.region_of_code("8205005") == "carpus"
    assert known.region_of_code("419176008") == "manus"
    assert known.view_of_code("442597009") == "D45L-PaMO"
    assert known.view_of_code("399260004", modifier="POS-STRESS-EXT") == "stress ML"
    assert known.view_of_code("399260004") == "ML"


def test_human_scaphoid_codes_are_not_taken_for_a_part_of_a_limb() -> None:
    # 30518006 and 75772009 are the human scaphoid and tarsal navicular concepts.
    assert atlas().region_of_code("30518006") is None
    assert atlas().region_of_code("75772009") is None


@given(st.text(max_size=80))
def test_any_text_can_be_searched(text: str) -> None:
    known = atlas()
    view = known.find_view(text)
    assert view is None or known.view(view) is not None
    assert known.find_region(text) is None or known.find_region(text) in known.find_regions(text)


def test_every_label_finds_itself() -> None:
    known = atlas()
    for view in known.all_views:
        assert known.find_view(view.label) == view.label
        assert known.find_view(view.label.upper().replace("-", "_")) == view.label


def test_right_angles_are_mutual_and_never_with_oneself() -> None:
    # Pairs: ML or LM with DPa, CrCd, DPl; D45L-PaMO with D45M-PaLO.
    known = atlas()
    at_right_angles = {view.label: known.orthogonal(view.label) for view in known.all_views}
    for label, others in at_right_angles.items():
        assert label not in others
        assert all(label in at_right_angles[other] for other in others)
    assert {"ML", "LM", "stress ML"} <= known.orthogonal("DPa")
    assert "DPa" not in known.orthogonal("D45L-PaMO")
    assert "D45M-PaLO" in known.orthogonal("D45L-PaMO")
