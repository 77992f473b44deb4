"""In which language and colours the pages of this node are shown, and their words.

Counts: what the account chose, else what was last chosen in this browser, else the node's
setting, else what the browser asks for. One file per language in `words`; sentences of errors are
made in English wherever they arise and are looked up here on their way out.
"""

import json
from collections.abc import Mapping, Sequence
from datetime import timedelta
from functools import cache
from importlib import resources
from typing import Any, cast

from flask import Flask, Response, g, request

from dicom_service.store import Preferences
from dicom_service.web.site import site

LANGUAGES = {"en": "English", "de": "Deutsch"}
THEMES = ("dark", "light", "system")
LANGUAGE_COOKIE, THEME_COOKIE = "sesamoid_language", "sesamoid_theme"
_KEPT = timedelta(days=365)
_DEEPEST = 3


@cache
def words(of: str) -> Mapping[str, Any]:
    """Every word of our pages in one language."""
    text = resources.files("dicom_service.web").joinpath(f"words/{of}.json").read_text("utf-8")
    return cast("Mapping[str, Any]", json.loads(text))


@cache
def _of_pages(of: str) -> Mapping[str, Any]:
    """What scripts say; sentences of errors reach them translated."""
    return {part: said for part, said in words(of).items() if part != "sentences"}


def install(app: Flask) -> None:
    """Give templates their words, and browsers a note of what was chosen."""

    @app.context_processor
    def _of_templates() -> dict[str, Any]:
        of = language()
        return {
            "language": of,
            "languages": LANGUAGES,
            "chosen_language": chosen().language,
            "theme": theme(),
            "themes": THEMES,
            "t": say,
            "words": _of_pages(of),
        }

    app.after_request(_noted)


def chosen() -> Preferences:
    """What the account of the present request chose; as delivered when nobody is signed in."""
    if "preferences" not in g:
        found = g.get("caller")
        g.preferences = site().store.preferences(found.user.name) if found else Preferences()
    return cast("Preferences", g.preferences)


def language() -> str:
    """The language of the answer to the present request."""
    noted = "" if g.get("caller") else request.cookies.get(LANGUAGE_COOKIE, "")
    for wanted in (chosen().language, noted, site().settings.language):
        if wanted in LANGUAGES:
            return wanted
    return request.accept_languages.best_match(list(LANGUAGES)) or "en"


def theme() -> str:
    """The colours of the answer to the present request."""
    wanted = chosen().theme if g.get("caller") else request.cookies.get(THEME_COOKIE, "")
    return wanted if wanted in THEMES else "dark"


def say(path: str) -> str:
    """One of our words, by its path in the file of the language."""
    found: Any = words(language())
    for part in path.split("."):
        found = found[part]
    return str(found)


def said(sentence: str, inside: int = 0) -> str:
    """A sentence made in English, in the language of the present request.

    Parameters
    ----------
    inside
        How many sentences this is a part of; a caller may have put one into the other endlessly.
    """
    for parts, other in _sentences(language()) if inside <= _DEEPEST else ():
        if (gaps := _filled(parts, sentence)) is not None:
            return other.format(*(said(gap, inside + 1) for gap in gaps))
    return sentence


def _filled(parts: Sequence[str], sentence: str) -> list[str] | None:
    """What stands in the gaps between these parts of a sentence; None where it is another one.

    Each part counts where it comes first, so that a long sentence of a stranger takes no longer
    than it is long: a regular expression would try all ways to cut it.
    """
    first, *middle = parts
    if not middle:
        return [] if sentence == first else None
    last = middle.pop()
    end = len(sentence) - len(last)
    if not (sentence.startswith(first) and sentence.endswith(last)):
        return None
    found, start = [], len(first)
    for part in middle:
        at = sentence.find(part, start + 1, end)
        if at < 0:
            return None
        found.append(sentence[start:at])
        start = at + len(part)
    return [*found, sentence[start:end]] if start < end else None


def note_choice(answer: Response, preferences: Preferences) -> None:
    """Tell the browser what its account chose, also for when nobody is signed in."""
    g.preferences = preferences
    _set(answer, LANGUAGE_COOKIE, language())
    _set(answer, THEME_COOKIE, preferences.theme)


def _noted(answer: Response) -> Response:
    """Pages bring both up to date: they may have been chosen at another desk."""
    if answer.mimetype == "text/html":
        answer.headers.add("Vary", "Accept-Language, Cookie")
        for name, value in ((LANGUAGE_COOKIE, language()), (THEME_COOKIE, theme())):
            if g.get("caller") and request.cookies.get(name) != value:
                _set(answer, name, value)
    return answer


def _set(answer: Response, name: str, value: str) -> None:
    # Not secret: scripts of our pages read it.
    answer.set_cookie(name, value, max_age=_KEPT, samesite="Strict", secure=request.is_secure)


@cache
def _sentences(of: str) -> tuple[tuple[tuple[str, ...], str], ...]:
    return tuple(
        (tuple(ours.split("{}")), theirs) for ours, theirs in words(of)["sentences"].items()
    )


def events_called(text: str) -> tuple[str, ...]:
    """Events of the audit trail whose words in any language have this in them."""
    wanted = text.casefold()
    return tuple(
        dict.fromkeys(
            event
            for of in LANGUAGES
            for event, called in words(of)["admin"]["audit"]["events"].items()
            if wanted in called.casefold()
        )
    )
