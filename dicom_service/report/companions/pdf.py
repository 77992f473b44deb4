"""The report as it is printed: one page when it can be, the answer first."""

import io
from collections.abc import Iterator, Sequence
from typing import Any

from reportlab.pdfgen.canvas import Canvas
from reportlab.platypus import BaseDocTemplate, Flowable, Frame, PageTemplate

from dicom_service.intake.values import day
from dicom_service.report.companions import pdf_body as body
from dicom_service.report.companions.limb_map import LimbMap, fitting_map
from dicom_service.report.companions.pdf_body import KeyImage
from dicom_service.report.companions.pdf_fonts import REGULAR, STRONG, plain, register
from dicom_service.report.companions.pdf_head import animal_name, head, is_invented, request
from dicom_service.report.companions.pdf_style import (
    ALARM,
    BOTTOM,
    DENSITIES,
    FAINT,
    MARGIN,
    PAGE,
    QUIET,
    TOP,
    WIDTH,
    Density,
    Styles,
)
from dicom_service.report.model import ReportContent
from dicom_service.report.names import Names
from dicom_service.report.states import STATES

INVENTED = "INVENTED DATA: not a real animal"
_CONTINUED = 9.0


def report_pdf(
    content: ReportContent, images: Sequence[KeyImage] = (), maps: Sequence[LimbMap] = ()
) -> bytes:
    """Typeset a report; by one thread at a time, for the library has one place in a typeface.

    Parameters
    ----------
    content
        What the report says.
    images
        Pictures of the images that it points to, as PNG.
    maps
        The limb maps to choose from; none fits, none is drawn.

    Returns
    -------
    bytes
        A PDF file; the same content gives the same bytes.
    """
    register()
    limb = fitting_map(content, maps)
    first: tuple[bytes, int] | None = None
    for density in DENSITIES:
        data, pages = _typeset(content, images, limb, density, 1)
        if pages == 1:
            return data
        first = first or (data, pages)
    assert first is not None  # noqa: S101 - there is at least one density
    return _typeset(content, images, limb, DENSITIES[0], first[1])[0]


def _typeset(
    content: ReportContent,
    images: Sequence[KeyImage],
    limb: LimbMap | None,
    density: Density,
    pages: int,
) -> tuple[bytes, int]:
    out = io.BytesIO()
    document = _Pages(out, content, pages)
    document.build(list(_parts(content, images, limb, Styles(density))))
    return out.getvalue(), document.page


def _parts(
    content: ReportContent, images: Sequence[KeyImage], limb: LimbMap | None, styles: Styles
) -> Iterator[Flowable]:
    names = Names(content)
    yield from head(content, styles)
    yield from body.addenda(names, styles)
    yield from body.answer(names, styles)
    yield from body.findings(names, styles)
    yield from body.rule_outs(names, styles)
    yield from body.measurements(names, styles)
    yield from body.pictures(names, styles, images, limb)
    yield from request(content, styles)
    yield from body.closing(names, styles)


def _frame(height: float) -> Frame:
    return Frame(
        MARGIN,
        BOTTOM,
        WIDTH,
        height,
        leftPadding=0,
        rightPadding=0,
        topPadding=0,
        bottomPadding=0,
    )


class _Pages(BaseDocTemplate):
    """A first page and those that continue it, with what stands around the text."""

    def __init__(self, out: io.BytesIO, content: ReportContent, pages: int) -> None:
        self.content = content
        self.pages = pages
        super().__init__(
            out,
            pagesize=PAGE,
            title=f"{STATES[content.kind].title}: {animal_name(content)}",
            author=content.signer.name.replace("^", " ") if content.signer else "",
            subject=f"Study {content.facts.study_uid}",
            creator="Sesamoid",
            lang="en",
            invariant=1,
        )
        height = PAGE[1] - TOP - BOTTOM
        self.addPageTemplates(
            [
                PageTemplate(
                    "first",
                    [_frame(height)],
                    onPage=self._around,
                    autoNextPageTemplate="continued",
                ),
                PageTemplate(
                    "continued",
                    [_frame(height - 16)],
                    onPage=self._around,
                ),
            ]
        )

    def _around(self, canvas: Canvas, document: Any) -> None:
        page = int(document.page)
        facts = self.content.facts
        whose = [animal_name(self.content), facts.signalment.patient_id, day(facts.study_date)]
        line = plain(" · ".join(part for part in whose if part))
        canvas.saveState()
        canvas.setStrokeColor(FAINT)
        canvas.setLineWidth(0.4)
        canvas.line(MARGIN, BOTTOM - 5, PAGE[0] - MARGIN, BOTTOM - 5)
        canvas.setFillColor(QUIET)
        canvas.setFont(REGULAR, 7.6)
        canvas.drawString(MARGIN, BOTTOM - 15, line[:110])
        number = f"Page {page} of {max(self.pages, page)}"
        if page < self.pages:
            number = f"Continued on page {page + 1}  ·  {number}"
        canvas.drawRightString(PAGE[0] - MARGIN, BOTTOM - 15, number)
        if page > 1:
            canvas.setFont(REGULAR, _CONTINUED)
            canvas.drawString(MARGIN, PAGE[1] - TOP - 6, f"{line[:90]}, continued")
            canvas.line(MARGIN, PAGE[1] - TOP - 11, PAGE[0] - MARGIN, PAGE[1] - TOP - 11)
        if is_invented(self.content):
            canvas.setFillColor(ALARM)
            canvas.setFont(STRONG, 7.6)
            canvas.drawCentredString(PAGE[0] / 2, BOTTOM - 25, INVENTED)
        canvas.restoreState()
