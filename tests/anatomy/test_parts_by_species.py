"""The same word or code means different parts of the limb in different species.

Outside facts: DICOM CID 7482 has Metacarpus, Fetlock and Pastern of fore- and hindlimb, Forefoot
and Hindfoot for all animals, and gives the equine navicular bones the codes of the human scaphoid
(30518006) and tarsal navicular (75772009). A dog's metacarpus is read with its manus.
"""

from pathlib import Path

import pytest

from dicom_service.anatomy import DataError, atlas, load_atlas


@pytest.mark.parametrize(
    ("text", "horse"),
    [
        ("METACARPUS", "metacarpus"),
        ("Röhrbein VL", "metacarpus"),
        ("caña", "metacarpus"),
        ("stinco", "metacarpus"),
        ("cannon bone", "metacarpus"),
        ("Griffelbein", "metacarpus"),
        ("Fetlock LF", "fetlock"),
        ("Fesselgelenk", "fetlock"),
        ("boulet AD", "fetlock"),
        ("menudillo", "fetlock"),
        ("nodello", "fetlock"),
        ("MCP joint", "fetlock"),
        ("hoof", "pastern_foot"),
        ("Huf", "pastern_foot"),
        ("pied", "pastern_foot"),
        ("casco", "pastern_foot"),
        ("zoccolo", "pastern_foot"),
        ("coffin joint", "pastern_foot"),
        ("navicular skyline", "pastern_foot"),
        ("Strahlbein rechts", "pastern_foot"),
        ("front foot", "pastern_foot"),
        ("pastern", "pastern_foot"),
        ("LH fetlock", "metatarsus_hindfoot"),
        ("Fesselgelenk hinten links", "metatarsus_hindfoot"),
        ("HL Huf", "metatarsus_hindfoot"),
        ("hind cannon", "metatarsus_hindfoot"),
        ("boulet postérieur", "metatarsus_hindfoot"),
        ("metatarsus", "metatarsus_hindfoot"),
        ("elbow", "elbow_humerus"),
        ("radius/ulna", "elbow_humerus"),
        ("Humerus", "elbow_humerus"),
        ("pelvis", "hip_femur"),
        ("Becken", "hip_femur"),
        ("Sprunggelenk", "tarsus"),
        ("hock", "tarsus"),
        ("genou", "stifle"),
        ("carpus", "carpus"),
    ],
)
def test_words_find_the_part_of_a_horse(text: str, horse: str) -> None:
    assert atlas().find_regions(text, "horse") == (horse,)


@pytest.mark.parametrize(
    ("text", "dog"),
    [
        ("METACARPUS", ("manus",)),
        ("metatarsus", ("pes",)),
        ("radius/ulna", ("antebrachium",)),
        ("elbow", ("elbow",)),
        ("pelvis", ("hip",)),
        ("hoof", ()),
        ("fetlock", ()),
        ("hind paw LH", ("pes",)),
    ],
)
def test_words_of_the_horse_do_not_reach_a_dog(text: str, dog: tuple[str, ...]) -> None:
    assert atlas().find_regions(text, "dog") == dog


@pytest.mark.parametrize(
    ("code", "dog", "horse"),
    [
        ("36455000", "manus", "metacarpus"),
        ("419176008", "manus", "pastern_foot"),
        ("416804009", "pes", "metatarsus_hindfoot"),
        ("280711000", "pes", "metatarsus_hindfoot"),
        ("13190002", None, "fetlock"),
        ("113351006", None, "metatarsus_hindfoot"),
        ("31329001", None, "pastern_foot"),
        ("18525008", None, "metatarsus_hindfoot"),
        ("30518006", None, "pastern_foot"),
        ("75772009", None, "metatarsus_hindfoot"),
        ("16953009", "elbow", "elbow_humerus"),
        ("85050009", "humerus", "elbow_humerus"),
        ("71341001", "femur", "hip_femur"),
        ("8205005", "carpus", "carpus"),
        ("116010006", "stifle", "stifle"),
    ],
)
def test_codes_find_the_part_of_the_species(code: str, dog: str | None, horse: str) -> None:
    known = atlas()
    assert known.region_of_code(code, species="dog") == dog
    assert known.region_of_code(code, species="horse") == horse


def test_every_part_found_for_a_horse_by_its_own_words_has_structures() -> None:
    known = atlas()
    for part in ("metacarpus", "fetlock", "hoof", "elbow", "femur", "pelvis", "pes", "manus"):
        assert known.find_region(part, "horse") in known.regions("horse"), part


def test_without_a_species_the_parts_of_all_species_come_first() -> None:
    known = atlas()
    assert known.find_regions("metacarpus") == ("manus",)
    assert known.find_regions("fetlock") == ("fetlock",)
    assert known.find_regions("fetlock", "unicorn") == ("fetlock",)
    assert known.region_of_code("13190002") == "fetlock"
    assert known.region_of_code("30518006") is None


@pytest.mark.parametrize(
    ("text", "limb"),
    [
        ("LH", "hind"),
        ("Vorderbein", "fore"),
        ("RF and RH", ""),
        ("posterior", "hind"),
        ("anterior posterior", ""),
        ("fetlock", ""),
    ],
)
def test_the_limb_is_named_only_when_nothing_contradicts(text: str, limb: str) -> None:
    assert atlas().limb_named(text) == limb


PARTS = """\
kind: regions
regions:
  - {id: hoof_test, name: test hoof, species: [horse], code: HOOF-TEST, words: [testhuf]}
"""


@pytest.mark.parametrize(
    ("change", "sentence"),
    [
        (("species: [horse]", "species: [unicorn]"), "names 'unicorn'"),
        (("species: [horse]", "species: [horse], hind: nowhere"), "names 'nowhere'"),
        (("species: [horse]", "species: [horse], replaces: [nowhere]"), "names 'nowhere'"),
    ],
)
def test_a_part_that_names_what_nobody_knows_is_refused(
    tmp_path: Path, change: tuple[str, str], sentence: str
) -> None:
    file = tmp_path / "parts.yaml"
    file.write_text(PARTS, "utf-8")
    assert load_atlas([file]).find_regions("Testhuf", "horse") == ("hoof_test",)
    file.write_text(PARTS.replace(*change), "utf-8")
    with pytest.raises(DataError, match=r"parts\.yaml:3: ") as caught:
        load_atlas([file])
    assert sentence in str(caught.value)
