"""Sentences for settings that cannot be used: which one, where it stands, what it may be."""

import difflib
import re
from collections.abc import Mapping, Sequence
from typing import Any

from pydantic import BaseModel, ValidationError

_SECRET = {"metrics_token", "client_secret", "access_key", "secret_key"}
_KINDS = {
    "int_type": "a whole number",
    "int_parsing": "a whole number",
    "int_from_float": "a whole number",
    "float_type": "a number",
    "float_parsing": "a number",
    "finite_number": "a number that is not infinite",
    "bool_type": "true or false",
    "bool_parsing": "true or false",
    "string_type": "text in quotation marks",
    "path_type": "a path in quotation marks",
    "tuple_type": "a list",
    "model_type": "a table of settings",
}
_BOUNDS = {
    "greater_than": ("gt", "more than"),
    "greater_than_equal": ("ge", "at least"),
    "less_than": ("lt", "less than"),
    "less_than_equal": ("le", "at most"),
}
_LENGTHS = {
    "string_too_short": ("min_length", "must have at least {} character(s)"),
    "string_too_long": ("max_length", "must have at most {} characters"),
}


def sentence(error: ValidationError, model: type[BaseModel], values: Mapping[str, Any]) -> str:
    """The first thing that is wrong with the settings, as a sentence for an administrator."""
    first = error.errors(include_url=False)[0]
    place = first["loc"]
    kind = str(first["type"])
    if not place:
        return f"{_said(first)}."
    where = _place(place, values)
    if kind == "extra_forbidden":
        return f"There is no setting {where}.{_near(place, model)}"
    if kind == "missing":
        return f"The setting {where} is missing."
    if place in (("peers",), ("sites",)):
        return f"The {place[0]} must be blocks, each of which begins with a line [[{place[0]}]]."
    return f"The setting {where} {_wrong(first, kind)}."


def _wrong(first: Any, kind: str) -> str:
    given, context = first.get("input"), first.get("ctx", {})
    can_be_shown = isinstance(given, str | int | float) and _SECRET.isdisjoint(first["loc"])
    shown = f" It is {given!r} now" if can_be_shown else ""
    if kind in _KINDS:
        return f"must be {_KINDS[kind]}.{shown}".rstrip(".")
    if kind in _BOUNDS:
        name, words = _BOUNDS[kind]
        return f"must be {words} {context[name]}.{shown}".rstrip(".")
    if kind in _LENGTHS:
        name, words = _LENGTHS[kind]
        return f"{words.format(context[name])}.{shown}".rstrip(".")
    if kind == "literal_error":
        return f"must be one of {context['expected']}.{shown}".rstrip(".")
    return f"is wrong: {_said(first)}"


def _said(first: Any) -> str:
    """A validator's own words, without what the library puts before them."""
    return re.sub(r"^Value error, ", "", str(first["msg"])).rstrip(".")


def _place(place: Sequence[int | str], values: Mapping[str, Any]) -> str:
    """ "'port' of the 2nd [[peers]] block (archive)"."""
    names = [str(part) for part in place]
    if names[0] in ("peers", "sites") and len(names) > 2:
        number = int(place[1])
        blocks = values.get(names[0])
        block = blocks[number] if isinstance(blocks, list | tuple) and number < len(blocks) else {}
        name = block.get("name") if isinstance(block, Mapping) else getattr(block, "name", "")
        called = f" ({name})" if name else ""
        return f"'{names[2]}' of [[{names[0]}]] block {number + 1}{called}"
    if names[0] in ("tls", "oidc", "bucket") and len(names) > 1:
        return f"'{names[1]}' in [{names[0]}]"
    return f"'{names[0]}'"


def _near(place: Sequence[int | str], model: type[BaseModel]) -> str:
    """What was meant, perhaps."""
    known = list(model.model_fields)
    if len(place) > 1:
        from dicom_service.settings import _BLOCKS, _TABLES

        table = {**_BLOCKS, **_TABLES}.get(str(place[0]))
        known = list(table.model_fields) if table else known
    alike = difflib.get_close_matches(str(place[-1]), known, 1)
    meant = f" Did you mean '{alike[0]}'?" if alike else ""
    return f"{meant} The file sesamoid.toml that comes with the program lists all."
