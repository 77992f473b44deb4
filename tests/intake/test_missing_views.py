"""Views that a minimum set asks for and the study does not have, in a technician's sentence.

Outside facts: teaching practice, dog carpus DPa and ML; horse carpus five views; horse foot LM,
D0-PaO, D60Pr-PaDiO and Pa45Pr-PaDiO; equine shoulder often in one plane only.
"""

from collections.abc import Callable, Sequence

import pytest

from dicom_service.anatomy import atlas
from dicom_service.intake.model import ImageFacts, Remark, Side
from dicom_service.intake.remarks import study_remarks

Shot = tuple[str, Side, tuple[str, ...]]


def remarks(shots: Sequence[Shot], species: str | None = "dog") -> dict[str, list[Remark]]:
    images = [
        ImageFacts(
            uid=str(n), series_uid="s", sop_class_uid="c", view=view, side=side, regions=parts,
            hung=True,
        )
        for n, (view, side, parts) in enumerate(shots)
    ]  # fmt: skip
    found: dict[str, list[Remark]] = {}
    for remark in study_remarks(images, species, atlas()):
        found.setdefault(remark.key, []).append(remark)
    return found


def missing(shots: Sequence[Shot], species: str = "dog") -> list[str]:
    return [remark.text for remark in remarks(shots, species).get("views_missing", [])]


CARPUS = ("carpus",)


def test_a_complete_set_is_not_remarked_on() -> None:
    found = remarks([("DPa", "R", CARPUS), ("LM", "R", CARPUS)])
    assert not {"views_missing", "no_orthogonal"} & set(found)


def test_what_is_missing_is_asked_for_in_one_sentence_for_each_side() -> None:
    shots: list[Shot] = [("ML", "R", CARPUS), ("DPa", "L", CARPUS), ("ML", "L", CARPUS)]
    assert missing(shots) == [
        "Right carpus: DPa is missing, and nothing is orthogonal to ML; take a dorsopalmar view."
    ]
    assert "no_orthogonal" not in remarks(shots), "said once"


def test_parts_that_lack_the_same_share_the_sentence() -> None:
    (text,) = missing([("DPa", "R", ("carpus", "manus"))])
    assert text.startswith("Right carpus and manus: ML is missing, and nothing")
    both = missing([("DPa", "R", ("carpus", "manus")), ("ML", "R", CARPUS)])
    assert [t.split(":")[0] for t in both] == ["Right manus"]


def test_one_image_of_both_limbs_serves_either_side() -> None:
    shots: list[Shot] = [("DPa", "B", CARPUS), ("ML", "L", CARPUS), ("ML", "R", CARPUS)]
    assert missing(shots) == []
    assert [t.split(":")[0] for t in missing(shots[:2])] == ["Left and right carpus"]


def test_a_stressed_or_flexed_view_does_not_stand_for_the_relaxed_one() -> None:
    (text,) = missing([("DPa", "R", CARPUS), ("stress ML", "R", CARPUS)])
    assert text == "Right carpus: ML is missing; take a mediolateral view."


def test_a_horses_carpus_needs_five_views_and_the_missing_are_listed() -> None:
    (text,) = missing([("LM", "L", CARPUS), ("DPa", "L", CARPUS)], "horse")
    assert text.startswith("Left carpus: D60L-PaMO, D75M-PaLO and flexed LM are missing; take ")
    near: list[Shot] = [(v, "L", CARPUS) for v in ("LM", "DPa", "D58L-PaMO", "D72M-PaLO")]
    assert missing([*near, ("flexed LM", "L", CARPUS)], "horse") == []


def test_views_for_a_part_of_the_region_only_say_so() -> None:
    (text,) = missing([("LM", "L", ("pastern_foot",)), ("DPa", "L", ("pastern_foot",))], "horse")
    assert "Pa45Pr-PaDiO (of the foot)" in text


def test_where_no_second_plane_can_be_had_the_limit_is_said_instead() -> None:
    found = remarks([("ML", "L", ("shoulder",))], "horse")
    assert "views_missing" not in found
    assert "report it as a limit" in found["no_orthogonal"][0].text


def test_an_image_without_a_known_view_may_be_the_missing_one() -> None:
    assert missing([("ML", "R", CARPUS), ("", "R", CARPUS)]) == []


def test_no_set_is_asked_for_in_a_species_that_is_not_known() -> None:
    assert "views_missing" not in remarks([("ML", "R", CARPUS)], None)


@pytest.mark.parametrize("species", ["dog", "cat", "horse"])
def test_every_region_of_a_species_has_a_set_whose_own_views_complete_it(species: str) -> None:
    known = atlas()
    limbs = (*known.find_limb("forelimb", species), *known.find_limb("hindlimb", species))
    assert len(limbs) == (11 if species == "horse" else 12)
    for region in limbs:
        views = known.view_set(species, region)
        assert views is not None, region
        shots: list[Shot] = [(wanted.any[0], "L", (region,)) for wanted in views.minimum]
        assert missing(shots, species) == [], region


def test_the_minimum_set_is_reported_when_headers_are_described(
    header: Callable, remark: Callable, facts: Callable
) -> None:
    assert "views_missing" not in {r.key for r in facts().remarks}
