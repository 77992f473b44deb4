"""Reads the structures of a region file: patterns of visibility, and one entry per digit."""

from collections.abc import Iterator

from pydantic import ValidationError

from dicom_service.anatomy.located import Key, Located, Value
from dicom_service.anatomy.model import Shows, Structure
from dicom_service.codes import SCHEME, Code

ROMAN = ("", "I", "II", "III", "IV", "V")


def read_structures(
    file: Located, views: frozenset[str], sources: frozenset[str]
) -> tuple[Structure, ...]:
    """The structures of `file`; unknown views, patterns and sources and doubled ids are refused."""
    patterns = _patterns(file, views)
    entries = file.content.get("structures")
    if not isinstance(entries, list) or not entries:
        file.fail("'structures' must be a list of structures.", "structures")
    found: dict[str, Structure] = {}
    for at, entry in enumerate(entries):
        if not isinstance(entry, dict):
            file.fail("a structure must consist of 'field: value'.", "structures", at)
        for fields in _expanded(file, entry, at):
            structure = _structure(file, fields, patterns, at)
            if structure.id in found:
                file.fail(f"the structure '{structure.id}' stands twice.", "structures", at)
            _check_code(file, structure, at)
            _check_sources(file, structure, sources, at)
            found[structure.id] = structure
    return tuple(found.values())


def _patterns(file: Located, views: frozenset[str]) -> dict[str, Shows]:
    patterns = file.content.get("patterns")
    if not isinstance(patterns, dict):
        file.fail("'patterns' must say what each view can show.", "patterns")
    found = {}
    for name, fields in patterns.items():
        try:
            found[name] = Shows.model_validate(fields)
        except ValidationError as error:
            file.fail_validation(error, "patterns", name)
        for label in found[name].views:
            if label not in views:
                file.fail(f"there is no view '{label}'.", "patterns", name, "views", label)
    return found


def _expanded(file: Located, entry: dict[str, Value], at: int) -> Iterator[dict[str, Value]]:
    """One entry for each of `digits` or `numbers`, with {n} and {roman} filled in."""
    fields = dict(entry)
    digits, numbers = fields.pop("digits", None), fields.pop("numbers", None)
    if digits is None and numbers is None:
        yield fields
        return
    each = numbers if digits is None else digits
    if not isinstance(each, list) or not all(isinstance(n, int) and 1 <= n <= 5 for n in each):
        file.fail("'digits' and 'numbers' must be lists of numbers from 1 to 5.", "structures", at)
    for number in each:
        if not isinstance(number, int):
            continue
        filled = {k: _filled(v, number) for k, v in fields.items()}
        yield filled if digits is None else {**filled, "digit": number}


def _filled(value: Value, number: int) -> Value:
    if isinstance(value, str):
        return value.replace("{n}", str(number)).replace("{roman}", ROMAN[number])
    return value


def _structure(
    file: Located, fields: dict[str, Value], patterns: dict[str, Shows], at: int
) -> Structure:
    path: tuple[Key, ...] = ("structures", at)
    pattern = fields.pop("shows", None)
    if not isinstance(pattern, str) or pattern not in patterns:
        file.fail("'shows' must be one of the patterns of this file.", *path, "shows")
    code = fields.get("code")
    if isinstance(code, str):
        code = [code, SCHEME, fields.get("name")]
    if not (isinstance(code, list) and len(code) == 3):
        file.fail("'code' must be a value of ours or [value, scheme, meaning].", *path, "code")
    try:
        fields = {**fields, "code": dict(zip(("value", "scheme", "meaning"), code, strict=True))}
        return Structure.model_validate({**fields, "shows": patterns[pattern]})
    except ValidationError as error:
        file.fail_validation(error, *path)


def _check_code(file: Located, structure: Structure, at: int) -> None:
    code: Code = structure.code
    if code.scheme == SCHEME and len(code.value) > 16:
        # PS3.3 table 8.8-1: Code Value is SH, at most 16 characters.
        file.fail(f"the code '{code.value}' is longer than 16.", "structures", at, "code")


def no_source(identity: str, source: str) -> str:
    """The sentence for a fact of grade V whose source nobody lists."""
    return f"'{identity}' has a fact of grade V from '{source}', which is no known source."


def _check_sources(file: Located, structure: Structure, sources: frozenset[str], at: int) -> None:
    facts = [(structure.shows.source, structure.shows.grade)]
    facts += [(variant.source, variant.grade) for variant in structure.variants]
    facts += [(row.source, row.grade) for row in structure.closure]
    for source, grade in facts:
        if grade == "V" and source not in sources:
            file.fail(no_source(structure.id, source), "structures", at)
