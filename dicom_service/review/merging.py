"""Brings newly written text into a text that a reader has edited, sentence by sentence.

A three-way merge: what the node wrote before is the common ancestor of what the reader made of it
and of what the node writes now. The reader's words always stay; sentences that are new always
come; a sentence the reader left alone follows the node; one the reader deleted stays deleted
unless it now says something else.
"""

import re
from collections.abc import Iterator, Sequence
from difflib import SequenceMatcher
from typing import Literal, NamedTuple

BREAK = "\n\n"
_HEADING = re.compile(r"[^\n.:!?]{1,48}:(?=\s)")


class Mark(NamedTuple):
    """A place of the merged text that the reader should look at.

    added: the node's new sentence; removed: one that the node no longer writes (`start` equals
    `end`); both: the node's new sentence stands beside the reader's own words on the same thing.
    """

    kind: Literal["added", "removed", "both"]
    text: str
    start: int
    end: int


class _Unit(NamedTuple):
    text: str
    mark: Literal["", "added", "removed", "both"]


def merge_edit(old_generated: str, edited: str, new_generated: str) -> tuple[str, tuple[Mark, ...]]:
    """The reader's text with what the node now writes, and what changed in it.

    Parameters
    ----------
    old_generated
        What the node wrote when the reader began to edit.
    edited
        What the reader made of it.
    new_generated
        What the node writes now.

    Returns
    -------
    tuple
        The merged text, and a mark for each sentence that came or went. Spaces between sentences
        may change; words never do.
    """
    if edited in (old_generated, new_generated):
        return new_generated, ()
    if new_generated == old_generated:
        return edited, ()
    return _rendered(
        list(_merged(sentences(old_generated), sentences(edited), sentences(new_generated)))
    )


def sentences(text: str) -> list[str]:
    """The headings and sentences of `text`, and `BREAK` between its paragraphs."""
    found: list[str] = []
    for paragraph in re.split(r"\n\s*\n", text.strip()):
        if found:
            found.append(BREAK)
        heading = _HEADING.match(paragraph.strip())
        rest = paragraph.strip()
        if heading:
            found.append(heading[0])
            rest = rest[heading.end() :].strip()
        found += [s for s in re.split(r"(?<=[.!?])\s+", rest) if s]
    return [s for s in found if s]


def _merged(base: Sequence[str], ours: Sequence[str], news: Sequence[str]) -> Iterator[_Unit]:
    """The units of the merged text, chunk by chunk between sentences that all three have."""
    at_base = at_ours = at_news = 0
    ends = (len(base), len(ours), len(news))
    for in_base, in_ours, in_news in [*_anchors(base, ours, news), ends]:
        yield from _chunk(base[at_base:in_base], ours[at_ours:in_ours], news[at_news:in_news])
        if in_base < len(base):
            yield _Unit(base[in_base], "")
        at_base, at_ours, at_news = in_base + 1, in_ours + 1, in_news + 1


def _anchors(
    base: Sequence[str], ours: Sequence[str], news: Sequence[str]
) -> list[tuple[int, int, int]]:
    """Places of the units that stand in all three, in order."""
    to_ours, to_news = _matches(base, ours), _matches(base, news)
    return [(at, to_ours[at], to_news[at]) for at in sorted(to_ours.keys() & to_news.keys())]


def _matches(one: Sequence[str], other: Sequence[str]) -> dict[int, int]:
    blocks = SequenceMatcher(None, one, other, autojunk=False).get_matching_blocks()
    return {b.a + i: b.b + i for b in blocks for i in range(b.size)}


def _chunk(base: Sequence[str], ours: Sequence[str], news: Sequence[str]) -> Iterator[_Unit]:
    """One stretch between anchors, in which at least one of the two differs from the base."""
    if list(news) == list(base) or list(ours) == list(news):
        yield from (_Unit(text, "") for text in ours)
        return
    gone = [text for text in base if text not in news and text != BREAK]
    if list(ours) == list(base):
        yield from (_Unit(text, "removed") for text in gone)
        yield from (_Unit(text, "" if text in base else "added") for text in news)
        return
    for text in ours:
        # What the reader left as it was goes when the node no longer writes it.
        yield _Unit(text, "removed" if text in gone else "")
    own = [text for text in ours if text not in base and text != BREAK]
    for text in news:
        if text not in base and text not in ours and text != BREAK:
            yield _Unit(text, "both" if own else "added")


def _rendered(units: Sequence[_Unit]) -> tuple[str, tuple[Mark, ...]]:
    text = ""
    marks = []
    broken = False
    for unit in units:
        if unit.text == BREAK:
            broken = bool(text)
            continue
        if unit.mark == "removed":
            marks.append(Mark("removed", unit.text, len(text), len(text)))
            continue
        if text:
            text += BREAK if broken else " "
        broken = False
        if unit.mark:
            marks.append(Mark(unit.mark, unit.text, len(text), len(text) + len(unit.text)))
        text += unit.text
    return text, tuple(marks)
