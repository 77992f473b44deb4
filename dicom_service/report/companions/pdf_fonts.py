"""The typefaces of the printed report, and text in scripts that they do not have."""

import io
import unicodedata
from functools import cache
from html import escape
from importlib import resources
from itertools import groupby

from reportlab.pdfbase import pdfmetrics
from reportlab.pdfbase.cidfonts import UnicodeCIDFont
from reportlab.pdfbase.ttfonts import TTFont

REGULAR, STRONG = "Report", "Report-Strong"
_FILES = {REGULAR: "Regular", STRONG: "Semibold"}
_JAPANESE, _KOREAN = "HeiseiKakuGo-W5", "HYGothic-Medium"
"""Known to every PDF reader by name (PDF 32000-1, 9.7.5.2); not embedded."""


@cache
def register() -> frozenset[int]:
    """Make the typefaces known; the code points that they have."""
    folder = resources.files("font_source_sans_pro") / "files"
    covered = []
    for name, style in _FILES.items():
        data = (folder / f"SourceSansPro-{style}.ttf").read_bytes()
        font = TTFont(name, io.BytesIO(data))
        pdfmetrics.registerFont(font)
        covered.append(frozenset(font.face.charToGlyph))
    pdfmetrics.registerFontFamily(
        REGULAR, normal=REGULAR, bold=STRONG, italic=REGULAR, boldItalic=STRONG
    )
    for name in (_JAPANESE, _KOREAN):
        pdfmetrics.registerFont(UnicodeCIDFont(name))
    return frozenset.intersection(*covered)


def markup(text: str) -> str:
    """`text` as paragraph markup; line ends stay, other scripts get a typeface that has them."""
    lines = []
    for line in unicodedata.normalize("NFC", text).splitlines():
        runs = ((font, "".join(run)) for font, run in groupby(line, key=_font))
        lines.append("".join(_run(font, run) for font, run in runs))
    return "<br/>".join(lines)


def plain(text: str) -> str:
    """`text` for drawing with one typeface: what it does not have is named."""
    return "".join(c if _font(c) == REGULAR else _named(c) for c in text)


def _font(character: str) -> str:
    if character.isspace() or ord(character) in register():
        return REGULAR
    name = unicodedata.name(character, "")
    if name.startswith("HANGUL"):
        return _KOREAN
    if name.startswith(("CJK", "HIRAGANA", "KATAKANA", "FULLWIDTH", "IDEOGRAPHIC")):
        return _JAPANESE
    return ""


def _run(font: str, run: str) -> str:
    if font == REGULAR:
        return escape(run, quote=False)
    if not font:
        return escape("".join(_named(c) for c in run), quote=False)
    return f'<font name="{font}">{escape(run, quote=False)}</font>'


def _named(character: str) -> str:
    """A character that cannot be printed says what it is instead of vanishing."""
    if unicodedata.category(character) in ("Mn", "Cf", "Me"):
        return ""
    return f"[{unicodedata.name(character, f'U+{ord(character):04X}').lower()}]"
