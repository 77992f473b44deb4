"""Sentences that know what they are made of, so that a screen can say them in another language."""

from collections.abc import Iterable, Mapping
from functools import cache
from importlib import resources
from math import isfinite
from types import MappingProxyType
from typing import Any

import yaml
from pydantic import GetCoreSchemaHandler
from pydantic_core import CoreSchema, core_schema

from dicom_service.review.computed import Sentence, Value

_NOTHING: Mapping[str, Value] = MappingProxyType({})


class Said(str):
    """A sentence in English with its `id` and the values in it; the id of one without is ""."""

    __slots__ = ("id", "values")
    id: str
    values: Mapping[str, Value]

    def __new__(
        cls, text: str = "", key: str = "", values: Mapping[str, Value] = _NOTHING
    ) -> "Said":
        """`key` is the id."""
        made = super().__new__(cls, text)
        made.id, made.values = key, values
        return made

    @property
    def sentence(self) -> Sentence:
        """The same for JSON."""
        return Sentence(text=str(self), id=self.id, values=dict(self.values))

    @classmethod
    def __get_pydantic_core_schema__(cls, source: Any, handler: GetCoreSchemaHandler) -> CoreSchema:
        """A plain string in JSON; read back it is a sentence without an id."""
        plain = core_schema.no_info_after_validator_function(cls, core_schema.str_schema())
        kept = core_schema.union_schema([core_schema.is_instance_schema(cls), plain])
        return core_schema.json_or_python_schema(
            json_schema=plain, python_schema=kept,
            serialization=core_schema.to_string_ser_schema(),
        )  # fmt: skip


def say(key: str, /, **values: float | str) -> Said:
    """The sentence with this id from `data/sentences.yaml`, its values filled in.

    Raises
    ------
    KeyError
        No such sentence, or a value that it needs is missing.
    """
    return Said(sentences()[key].format(**values), key, {k: _value(v) for k, v in values.items()})


def recalled(text: str, said: Iterable[Sentence]) -> Said:
    """A sentence that was kept, with what it is made of if that was kept too."""
    found = next((s for s in said if s.text == text), None)
    return Said(text, found.id, found.values) if found else Said(text)


@cache
def sentences() -> Mapping[str, str]:
    """All sentences by their id, `part.name`."""
    text = resources.files(__package__).joinpath("data/sentences.yaml").read_text("utf-8")
    parts: dict[str, dict[str, str]] = yaml.safe_load(text)
    return {f"{part}.{name}": words for part, rows in parts.items() for name, words in rows.items()}


def _value(value: float | str) -> Value:
    if isinstance(value, Said):
        return value.sentence
    if isinstance(value, str):
        return value
    return float(f"{value:.6g}") if isfinite(value) else str(value)
