"""The words and tables of `data/`: sides, sexes, which views are the same in which limb."""

import re
from functools import cache
from importlib import resources
from typing import Literal

import yaml

from dicom_service.anatomy.words import folded
from dicom_service.base import Frozen
from dicom_service.intake.model import Side


class SameView(Frozen):
    """Which projection has which name in which part of the limb."""

    source: str
    grade: Literal["V", "M", "C"]
    parts: dict[str, tuple[str, ...]]
    rows: tuple[dict[str, str], ...]


class Words(Frozen):
    """The content of `data/words.yaml`."""

    sides: dict[Side, tuple[str, ...]]
    side_letters: dict[str, Side]
    no_side: tuple[str, ...]
    side_codes: dict[str, Side]
    sexes: dict[str, tuple[Literal["M", "F", "O"], bool]]
    same_view: SameView
    digit_words: tuple[str, ...]
    digit_parts: dict[str, str]
    usual_pair: dict[str, tuple[str, ...]]

    def limb_part(self, region: str) -> str:
        """Fore, hind, proximal or trunk; empty for other regions."""
        return next((p for p, regions in self.same_view.parts.items() if region in regions), "")


class Band(Frozen):
    """A band of the deviation index."""

    below: float | None = None
    above: float | None = None
    text: str


class ExposureBands(Frozen):
    """The content of `data/exposure.yaml`; the first band that holds counts."""

    source: str
    grade: Literal["V", "M", "C"]
    bands: tuple[Band, ...]

    def advice(self, deviation: float) -> str:
        """What to do at this deviation index; empty inside the target band."""
        for band in self.bands:
            if band.below is not None and deviation < band.below:
                return band.text
            if band.above is not None and deviation > band.above:
                return band.text
        return ""


def _data(name: str) -> object:
    return yaml.safe_load((resources.files(__package__) / "data" / name).read_text("utf-8"))


@cache
def words() -> Words:
    """The table of words."""
    return Words.model_validate(_data("words.yaml"))


@cache
def exposure_bands() -> ExposureBands:
    """The table of exposure bands."""
    return ExposureBands.model_validate(_data("exposure.yaml"))


def side_in(text: str) -> Side | None:
    """The side that a description names; None when it names none or contradicts itself."""
    table = words()
    plain = folded(text)
    for phrase in table.no_side:
        plain = plain.replace(folded(phrase), " ")
    tokens = set(re.findall(r"[^\W_]+", plain))
    named: set[Side] = {
        side for side, known in table.sides.items() if tokens & {folded(word) for word in known}
    }
    for letter in re.findall(r"(?:^|[\s,;:()_])([a-z])(?=$|[\s,;:()_.])", plain):
        side = table.side_letters.get(letter.upper())
        if side is not None:
            named.add(side)
    if "B" in named:
        return "B"
    return named.pop() if len(named) == 1 else None
