"""Whether a published value is about animals like this one: breed, size, sex."""

from functools import cache
from importlib import resources
from typing import Literal

import yaml

from dicom_service.base import Frozen

Size = Literal["toy", "small", "medium", "large", "giant"]
Fit = Literal["fits", "unknown", "other"]


class Animal(Frozen):
    """What is known of an animal that published values hang on."""

    species: str = ""
    breed: str = ""
    sex: str = ""


class Population(Frozen):
    """Whom a value was found in; what is empty was not restricted."""

    breeds: tuple[str, ...] = ()
    """Ids of breeds.yaml; with `sizes` too, one of the two is enough."""
    but_not: tuple[str, ...] = ()
    sizes: tuple[Size, ...] = ()
    chondrodystrophic: bool | None = None
    sex: Literal["", "M", "F"] = ""


class Breed(Frozen):
    """A breed of dog, and words that its name has."""

    id: str
    words: tuple[str, ...]
    size: Size
    chondrodystrophic: bool = False


@cache
def breeds() -> tuple[Breed, ...]:
    """The breeds that are known."""
    text = resources.files(__package__).joinpath("data/breeds.yaml").read_text("utf-8")
    return tuple(Breed.model_validate(row) for row in yaml.safe_load(text)["breeds"])


def breed_of(words: str) -> Breed | None:
    """The breed that these words name; None for others and for mixed ones."""
    said = words.casefold().replace(",", " ")
    if any(word in said for word in ("mix", "cross", " x ", "/")):
        return None
    return next((b for b in breeds() if any(word in said for word in b.words)), None)


def fit(population: Population, animal: Animal) -> Fit:
    """Whether a population is one of animals like this."""
    if population == Population():
        return "fits"
    if population.sex:
        if not animal.sex:
            return "unknown"
        return "fits" if population.sex == animal.sex else "other"
    breed = breed_of(animal.breed)
    if breed is None:
        return "unknown"
    if breed.id in population.but_not:
        return "other"
    named = breed.id in population.breeds
    sized = breed.size in population.sizes
    kind = population.chondrodystrophic in (None, breed.chondrodystrophic)
    wanted = population.breeds or population.sizes
    return "fits" if kind and (named or sized or not wanted) else "other"
