"""Grades of facts: what rests on several facts has the grade of the weakest."""

from collections.abc import Iterable

_ORDER = ("V", "M", "C")
IN_WORDS = {"V": "source read", "M": "from memory", "C": "common practice"}


def weakest(grades: Iterable[str]) -> str:
    """The weakest of `grades`; "" for none."""
    known = [grade for grade in grades if grade in _ORDER]
    return max(known, key=_ORDER.index, default="")


def graded(source: str, grade: str) -> str:
    """Source and grade as a reader is shown them: "PROVETTABLE, source read"."""
    return ", ".join(part for part in (source, IN_WORDS.get(grade, grade)) if part)
