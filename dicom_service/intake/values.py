"""Reading header values that may be missing, malformed or in the wrong character set."""

import contextlib
import math
import re
import struct
import unicodedata
from collections.abc import Iterator

from pydicom import Dataset
from pydicom.errors import BytesLengthException
from pydicom.multival import MultiValue
from pydicom.sequence import Sequence

from dicom_service.codes import Code

# What pydicom raises for values that break their VR or their sequence's structure.
_UNREADABLE = (
    ValueError,
    TypeError,
    ArithmeticError,
    LookupError,
    AttributeError,
    OSError,
    EOFError,
    RuntimeError,  # NotImplementedError of odd VRs, RecursionError of deep nesting
    struct.error,
    BytesLengthException,
)


def value(header: Dataset, keyword: str) -> object:
    """The value of an attribute; None when it is missing, empty or unreadable."""
    try:
        found = header.get(keyword)
    except _UNREADABLE:
        return None
    return None if found == "" else found


def text(header: Dataset, keyword: str) -> str:
    """The value as clean text, multiple values joined by spaces."""
    found = value(header, keyword)
    if found is None or isinstance(found, Sequence | bytes):
        return ""
    parts = found if isinstance(found, MultiValue | list | tuple) else [found]
    return " ".join(filter(None, (clean(str(part)) for part in parts)))


def clean(raw: str) -> str:
    """`raw` without control characters and doubled spaces, and with UTF-8 read as UTF-8.

    Senders often declare Latin-1 (or nothing) and write UTF-8; read as Latin-1 that gives
    two or three odd characters for each letter, which is undone here.
    """
    with contextlib.suppress(UnicodeError):  # not Latin-1, or not UTF-8: as it stands
        raw = raw.encode("latin-1").decode("utf-8")
    kept = "".join(c if _is_text(c) else " " for c in raw)
    return " ".join(unicodedata.normalize("NFC", kept).split())


def _is_text(character: str) -> bool:
    # Cc control, Cs lone surrogates, Co private use, Cn unassigned; Cf holds joiners that some
    # scripts need, but also the marks that reorder a line, which could disguise a name.
    if character in "\u200c\u200d":
        return True
    return unicodedata.category(character) not in {"Cc", "Cf", "Cs", "Co", "Cn"}


def number(header: Dataset, keyword: str) -> float | None:
    """The first value as a finite number, or None."""
    found = value(header, keyword)
    if isinstance(found, MultiValue | list | tuple):
        found = found[0] if found else None
    return _finite(found)


def numbers(header: Dataset, keyword: str) -> tuple[float, ...] | None:
    """All values as numbers, NaN for those that are none; None when the attribute is empty."""
    found = value(header, keyword)
    if found is None or isinstance(found, Sequence | bytes):
        return None
    parts = found if isinstance(found, MultiValue | list | tuple) else [found]
    values = (_finite(part) for part in parts)
    return tuple(math.nan if one is None else one for one in values)


def _finite(found: object) -> float | None:
    try:
        result = float(str(found))
    except (ValueError, OverflowError):
        return None
    return result if math.isfinite(result) else None


def integer(header: Dataset, keyword: str) -> int:
    """The value as a whole number; 0 when there is none."""
    found = number(header, keyword)
    return int(found) if found is not None else 0


def items(header: Dataset, keyword: str) -> tuple[Dataset, ...]:
    """The items of a sequence; empty when it is missing."""
    found = value(header, keyword)
    return tuple(found) if isinstance(found, Sequence) else ()


def codes(header: Dataset, keyword: str) -> Iterator[Code]:
    """The coded entries of a sequence that have a value and a scheme."""
    for item in items(header, keyword):
        code = code_of(item)
        if code is not None:
            yield code


def code_of(item: Dataset) -> Code | None:
    """The coded entry that an item is; None without a value or a scheme."""
    code_value = text(item, "CodeValue") or text(item, "LongCodeValue")
    scheme = text(item, "CodingSchemeDesignator")
    if not (code_value and scheme):
        return None
    meaning = text(item, "CodeMeaning") or code_value
    return Code(value=code_value[:64], scheme=scheme[:16], meaning=meaning[:64])


def date(header: Dataset, keyword: str) -> str:
    """A date as YYYYMMDD; empty when it is none (also reads the former YYYY.MM.DD)."""
    digits = text(header, keyword).replace(".", "").replace("-", "")
    return digits if re.fullmatch(r"\d{8}", digits) else ""


def day(written: str) -> str:
    """A DICOM date as people write it, 2021-09-04; anything else as it stands."""
    whole = len(written) == 8 and written.isdigit()
    return f"{written[:4]}-{written[4:6]}-{written[6:]}" if whole else written
