"""Type, colour and measure of the printed report."""

from typing import NamedTuple

from reportlab.lib.colors import HexColor
from reportlab.lib.pagesizes import A4
from reportlab.lib.styles import ParagraphStyle
from reportlab.lib.units import mm

from dicom_service.report.companions.pdf_fonts import REGULAR, STRONG

PAGE = A4
MARGIN = 17 * mm
TOP, BOTTOM = 15 * mm, 17 * mm
WIDTH = PAGE[0] - 2 * MARGIN

INK, QUIET, FAINT = HexColor("#16202a"), HexColor("#5b6770"), HexColor("#d5dade")
ACCENT, ALARM = HexColor("#14505c"), HexColor("#a4281d")


class Density(NamedTuple):
    """How closely a page is set: size of the text, height of pictures, air between parts."""

    text: float
    pictures: float
    air: float


DENSITIES = (
    Density(10.0, 62 * mm, 9.0),
    Density(9.6, 52 * mm, 7.0),
    Density(9.2, 44 * mm, 5.5),
    Density(8.8, 37 * mm, 4.5),
)
"""Tried in this order until the report stands on one page; when none does, the first."""


class Styles:
    """Paragraph styles at one density."""

    def __init__(self, density: Density) -> None:
        size = density.text
        self.density = density
        base = ParagraphStyle(
            "text", fontName=REGULAR, fontSize=size, leading=size * 1.36, textColor=INK
        )
        self.text = base
        self.name = ParagraphStyle(
            "name", base, fontName=STRONG, fontSize=19, leading=24, textColor=INK
        )
        self.kind = ParagraphStyle(
            "kind", base, fontName=STRONG, fontSize=8.4, leading=11, textColor=ACCENT
        )
        self.fact = ParagraphStyle("fact", base, fontSize=9, leading=12.2)
        self.heading = ParagraphStyle(
            "heading",
            base,
            fontName=STRONG,
            fontSize=size - 0.6,
            leading=size * 1.25,
            textColor=ACCENT,
            spaceBefore=density.air,
            spaceAfter=1.6,
        )
        self.answer = ParagraphStyle(
            "answer", base, fontSize=size + 2.4, leading=(size + 2.4) * 1.3, fontName=STRONG
        )
        self.findings = ParagraphStyle("findings", base, spaceAfter=size * 0.3)
        self.listed = ParagraphStyle(
            "listed", base, leftIndent=12, bulletFontName=REGULAR, bulletFontSize=size, spaceAfter=1
        )
        self.cell = ParagraphStyle("cell", base, fontSize=size - 0.8, leading=(size - 0.8) * 1.25)
        self.head = ParagraphStyle(
            "head", self.cell, textColor=QUIET, fontSize=size - 1.6, leading=(size - 1.6) * 1.25
        )
        self.number = ParagraphStyle("number", self.cell, fontName=STRONG, alignment=2)
        self.caption = ParagraphStyle("caption", base, fontSize=8, leading=10, textColor=QUIET)
        self.small = ParagraphStyle("small", base, fontSize=7.4, leading=9.5, textColor=QUIET)
        self.signature = ParagraphStyle("signature", base, fontSize=size, leading=size * 1.35)
