"""Which digits an image is aimed at, as its headers say: "digit IV", "4. Zehe", "D4"."""

import re
from collections.abc import Iterable

from dicom_service.anatomy.words import folded
from dicom_service.intake.words import words

_NUMBERS = {"i": 1, "ii": 2, "iii": 3, "iv": 4, "v": 5, **{str(n): n for n in range(1, 6)}}
_NUMBER = r"(?:iii|ii|iv|i|v|[1-5])"
_SERIES = rf"{_NUMBER}(?:\s*(?:,|\+|/|&|-|and|und|et|y|e)\s*{_NUMBER})*"


def digits_in(text: str) -> tuple[int, ...]:
    """The digits that `text` names, in ascending order; empty when it names none.

    A bare D4 counts; a range like "digits II-IV" names all digits in it.
    """
    names = "|".join(sorted((folded(w) for w in words().digit_words), key=len, reverse=True))
    plain = folded(text)
    patterns = (
        rf"\b(?:{names})\s*(?:nr\.?|no\.?)?\s*(?P<n>{_SERIES})\b",
        rf"\b(?P<n>{_SERIES})(?:st|nd|rd|th|\.|e|er|ª|º|a|o)?\s*(?:{names})\b",
        r"(?<![a-z0-9])d\s?(?P<n>[1-5])(?![a-z0-9°])",
    )
    found: set[int] = set()
    for pattern in patterns:
        for match in re.finditer(pattern, plain):
            found |= set(_numbers(match["n"]))
    return tuple(sorted(found))


def _numbers(series: str) -> Iterable[int]:
    """The numbers of "3", "II-IV", "3 and 4"."""
    parts = re.split(rf"({_NUMBER})", series)
    numbers = [_NUMBERS[part] for part in parts[1::2]]
    for at, number in enumerate(numbers):
        yield number
        if at and parts[2 * at].strip() == "-":
            yield from range(min(numbers[at - 1], number), max(numbers[at - 1], number))
