"""A value is compared with those of animals like this one, and with no others."""

import pytest

from dicom_service.measure.catalogue import catalogue, comparison, entry
from dicom_service.measure.population import Animal, Population, breed_of, breeds, fit

LARGE = Population(sizes=("large", "giant"), chondrodystrophic=False)


@pytest.mark.parametrize(
    ("words", "breed"),
    [
        ("Labrador Retriever", "labrador"),
        ("DEUTSCHER SCHÄFERHUND", "german_shepherd"),
        ("Dackel", "dachshund"),
        ("Labrador mix", None),
        ("Dachshund x Beagle", None),
        ("European Shorthair", None),
        ("", None),
    ],
)
def test_a_breed_is_known_by_its_name_and_a_mixed_one_is_none(words, breed):
    found = breed_of(words)
    assert (found.id if found else None) == breed


@pytest.mark.parametrize(
    ("population", "animal", "expected"),
    [
        (Population(), Animal(species="dog"), "fits"),
        (LARGE, Animal(breed="Rottweiler"), "fits"),
        (LARGE, Animal(breed="Dachshund"), "other"),
        (LARGE, Animal(breed="farm dog"), "unknown"),
        (Population(breeds=("labrador",)), Animal(breed="Golden Retriever"), "other"),
        (Population(sex="F"), Animal(sex="M"), "other"),
        (Population(sex="F"), Animal(), "unknown"),
        (Population(sex="F"), Animal(sex="F"), "fits"),
    ],
)
def test_whether_a_population_is_of_animals_like_this(population, animal, expected):
    assert fit(population, animal) == expected


def test_every_breed_that_a_value_hangs_on_is_known():
    known = {breed.id for breed in breeds()}
    named = {b for e in catalogue().values() for r in e.refs for b in r.who.breeds + r.who.but_not}
    assert named <= known
    assert len(known) == len(breeds())


def test_a_small_breed_is_not_held_against_large_ones():
    angle = entry("aLDRA")
    small = comparison(angle, Animal(species="dog", breed="Maltese"), 85.0, 0.5)
    assert "DUNCAN2022" in small
    dachshund = comparison(angle, Animal(species="dog", breed="Dachshund"), 85.0, 0.5)
    assert "others than this Dachshund" in dachshund
    unknown = comparison(angle, Animal(species="dog", breed="farm dog"), 85.0, 0.5)
    assert "if that holds for this animal's breed and sex" in unknown


def test_a_tom_cat_is_compared_with_males():
    words = comparison(entry("mLDFA"), Animal(species="cat", sex="M"), 96.0, 0.5)
    assert "96.1" in words
    assert "97.3" not in words
