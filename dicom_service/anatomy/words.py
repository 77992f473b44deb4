"""Finding known words (projections, parts, species) in what people typed into headers."""

import re
import unicodedata
from collections.abc import Iterable, Mapping
from typing import NamedTuple

_LONGEST = 7
"""Words of the longest phrase that is looked up."""


def folded(text: str) -> str:
    """Lower case without accents, so that 'Épaule' equals 'epaule'."""
    plain = unicodedata.normalize("NFKD", text.casefold())
    return "".join(c for c in plain if not unicodedata.combining(c)).replace("ß", "ss")


def tokens(text: str) -> list[str]:
    """The runs of letters and digits of `text`, folded."""
    return re.findall(r"[^\W_]+", folded(text))


def key(text: str) -> str:
    """The letters and digits of `text`, folded and joined: 'D45L_PAMO' gives 'd45lpamo'."""
    return "".join(tokens(text))


class Hit(NamedTuple):
    """A known phrase in a text."""

    id: str
    start: int
    """Index of its first token."""
    length: int
    """Number of tokens."""


class Lexicon:
    """Phrases by key; longer phrases win over the shorter ones inside them."""

    def __init__(self, phrases: Mapping[str, Iterable[str]]) -> None:
        """Take the phrases of each id; of equal phrases the first one counts."""
        self._ids: dict[str, str] = {}
        for identity, words in phrases.items():
            for word in words:
                self._ids.setdefault(key(word), identity)

    def exact(self, text: str) -> str | None:
        """The id whose phrase is the whole of `text`."""
        return self._ids.get(key(text))

    def hits(self, text: str) -> list[Hit]:
        """Every known phrase of `text`, in order, none overlapping another."""
        words = tokens(text)
        found: list[Hit] = []
        at = 0
        while at < len(words):
            for length in range(min(_LONGEST, len(words) - at), 0, -1):
                identity = self._ids.get("".join(words[at : at + length]))
                if identity is not None:
                    found.append(Hit(identity, at, length))
                    at += length
                    break
            else:
                at += 1
        return found

    def all(self, text: str) -> tuple[str, ...]:
        """The different ids found in `text`, in order of appearance."""
        return tuple(dict.fromkeys(hit.id for hit in self.hits(text)))
