"""Loads `*.yaml` beside this file: keyword: [value, scheme, meaning]."""

from collections.abc import Mapping
from functools import cache
from importlib import resources

import yaml
from pydantic import Field

from dicom_service.base import Frozen

SCHEME = "99SESAMOID"
"""Coding scheme designator of our own codes (PS3.3 8.2: private designators begin with 99)."""

SCHEME_UID = "2.25.181845532033584126344285469443626296985"
"""UID of our coding scheme; a UUID written as PS3.5 Annex B.2 allows."""

MAPPING_RESOURCE = SCHEME
"""Mapping resource of our private templates (PS3.3 8.4: private resources begin with 99)."""


class CodeDataError(ValueError):
    """A code data file contradicts itself or another one."""


class Code(Frozen):
    """A coded concept: (value, scheme designator, meaning), as in PS3.3 table 8.8-1."""

    value: str = Field(min_length=1, max_length=64)
    scheme: str = Field(min_length=1, max_length=16)
    meaning: str = Field(min_length=1, max_length=64)

    @property
    def key(self) -> tuple[str, str]:
        """What identifies the concept; the meaning is only its printed form."""
        return self.value, self.scheme


def _add(table: dict[str, Code], file: str, keyword: str, entry: object) -> None:
    if not (isinstance(entry, list) and len(entry) == 3):
        raise CodeDataError(f"{file}: '{keyword}' must be [value, scheme, meaning]")
    value, scheme, meaning = (str(part) for part in entry)
    code = Code(value=value, scheme=scheme, meaning=meaning)
    if keyword in table and table[keyword] != code:
        raise CodeDataError(f"{file}: '{keyword}' is already {table[keyword]}")
    table[keyword] = code


@cache
def all_codes() -> Mapping[str, Code]:
    """Every registered code by keyword.

    Raises
    ------
    CodeDataError
        A keyword or a code stands twice with different content.
    """
    table: dict[str, Code] = {}
    folder = resources.files("dicom_service.codes")
    for entry in sorted(folder.iterdir(), key=lambda e: e.name):
        if not entry.name.endswith(".yaml"):
            continue
        for keyword, row in (yaml.safe_load(entry.read_text("utf-8")) or {}).items():
            _add(table, entry.name, str(keyword), row)
    meanings: dict[tuple[str, str], str] = {}
    for keyword, code in table.items():
        if meanings.setdefault(code.key, code.meaning) != code.meaning:
            raise CodeDataError(f"'{keyword}' gives {code.key} a second meaning: {code.meaning}")
    return table


def get(keyword: str) -> Code:
    """The code registered under `keyword`; KeyError with the keyword when there is none."""
    return all_codes()[keyword]
