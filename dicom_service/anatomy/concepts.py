"""Every code that the product writes, with what it is used for: the one registry."""

from collections.abc import Iterator, Mapping

from pydantic import BaseModel

from dicom_service.anatomy.atlas import Atlas
from dicom_service.anatomy.derived import derived
from dicom_service.anatomy.load import atlas as default_atlas
from dicom_service.anatomy.model import Region
from dicom_service.codes import Code, all_codes
from dicom_service.codes.export import Concept

_KINDS = {
    "Structure": "structure",
    "View": "view",
    "Descriptor": "finding descriptor",
    "Condition": "condition",
    "NextStep": "recommendation",
    "Part": "region",
    "Region": "region",
    "Species": "species",
}
"""Class of a thing of the atlas -> what people call it; other classes keep their name."""


def concepts(atlas: Atlas | None = None) -> tuple[Concept, ...]:
    """Every code of the documents and of the anatomy, each use once."""
    found = (*_of_documents(), *_of_atlas(atlas or default_atlas()))
    return tuple(dict.fromkeys(found))


def _of_documents() -> Iterator[Concept]:
    for code in all_codes().values():
        yield Concept(code=code, kind="document")


def _of_atlas(atlas: Atlas) -> Iterator[Concept]:
    """The codes of whatever the atlas holds, so that nothing new can be forgotten here."""
    for held in vars(atlas).values():
        things = tuple(held.values()) if isinstance(held, Mapping) else held
        for thing in things if isinstance(things, tuple) else (things,):
            if isinstance(thing, BaseModel):
                yield from _of_model(thing)


def _of_model(thing: BaseModel, used_for: str = "") -> Iterator[Concept]:
    kind = _KINDS.get(type(thing).__name__, type(thing).__name__.casefold())
    if isinstance(thing, Region):
        used_for = f"{thing.species}/{thing.id}"
        for structure in derived(thing):
            yield from _of_model(structure, used_for)
    for name, value in thing:
        position = kind == "view" and name == "modifier"
        for part in value if isinstance(value, tuple) else (value,):
            if isinstance(part, Code):
                yield Concept(
                    code=part,
                    kind="view position" if position else kind,
                    used_for="" if kind == "region" else used_for,
                )
            elif isinstance(part, BaseModel):
                yield from _of_model(part, used_for)
