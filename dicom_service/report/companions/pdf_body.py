"""The body of the printed report: the answer, the findings, what was measured and shown."""

import io
from collections.abc import Iterator, Sequence
from typing import NamedTuple

from reportlab.lib.units import mm
from reportlab.lib.utils import ImageReader
from reportlab.platypus import (
    CondPageBreak,
    Flowable,
    HRFlowable,
    Image,
    KeepTogether,
    Paragraph,
    Spacer,
    Table,
    TableStyle,
)

from dicom_service import review
from dicom_service.report import computed, sentences, text
from dicom_service.report.companions.limb_map import LimbMap, limb_drawing, sides
from dicom_service.report.companions.pdf_fonts import markup
from dicom_service.report.companions.pdf_style import ACCENT, FAINT, INK, QUIET, WIDTH, Styles
from dicom_service.report.names import Names
from dicom_service.review.computed import computed_name
from dicom_service.review.model import Measurement
from dicom_service.review.prose import HEADINGS

_QUIET = f"#{QUIET.hexval()[2:]}"
_GAP = 4 * mm
_TIGHT = [
    ("VALIGN", (0, 0), (-1, -1), "TOP"),
    ("LEFTPADDING", (0, 0), (-1, -1), 0),
    ("RIGHTPADDING", (0, 0), (-1, -1), 0),
    ("TOPPADDING", (0, 0), (-1, -1), 0),
    ("BOTTOMPADDING", (0, 0), (-1, -1), 0),
]


class KeyImage(NamedTuple):
    """A picture of an image that the report points to."""

    view: str
    png: bytes


class Picture(NamedTuple):
    """Something in a row of pictures."""

    flowable: Flowable
    caption: Flowable
    width: float


def _heading(words: str, styles: Styles, below: float = 0.0) -> Iterator[Flowable]:
    """A heading that does not stand alone at the foot of a page."""
    yield CondPageBreak(styles.density.text * 5 + below)
    yield Paragraph(words, styles.heading)


def addenda(names: Names, styles: Styles) -> Iterator[Flowable]:
    """Later remarks stand before everything: they may change the answer."""
    for addendum in reversed(names.content.addenda):
        who = f"Addendum, {text.person(addendum.author)}, {addendum.at:%Y-%m-%d %H:%M %z}"
        inside = [
            Paragraph(markup(who), styles.kind),
            Paragraph(markup(addendum.text), styles.text),
        ]
        yield Spacer(1, styles.density.air)
        if len(addendum.text) > 3000:
            yield from inside
            continue
        box = Table([[inside]], colWidths=[WIDTH])
        box.setStyle(
            TableStyle(
                [
                    *_TIGHT,
                    ("LEFTPADDING", (0, 0), (-1, -1), 7),
                    ("LINEBEFORE", (0, 0), (0, -1), 2.2, ACCENT),
                ]
            )
        )
        yield box


def answer(names: Names, styles: Styles) -> Iterator[Flowable]:
    """Impression, what it may be, what to do."""
    content = names.content
    reading = content.reading
    said = reading.impression.strip() or review.summary(content.facts, content.template, reading)
    if said.strip():
        long = len(said) > 420
        yield from _heading("Impression", styles)
        yield Paragraph(markup(said), styles.text if long else styles.answer)
    listed = [d for d in reading.differentials if d.strip()]
    if listed:
        yield from _heading("Differential diagnoses, most likely first", styles)
    for number, differential in enumerate(listed, 1):
        name = sentences.differential_name(names, differential)
        yield Paragraph(markup(name), styles.listed, bulletText=f"{number}.")
    if reading.recommendations.strip():
        yield from _heading("Recommendations", styles)
        yield Paragraph(markup(reading.recommendations.strip()), styles.text)


def findings(names: Names, styles: Styles) -> Iterator[Flowable]:
    """The description, each section led by its name."""
    said = sentences.description(names) or "\n".join(
        sentences.finding_sentence(names, finding) for finding in names.content.reading.findings
    )
    if not said.strip():
        return
    yield from _heading("Findings", styles)
    for line in said.splitlines():
        lead, colon, rest = line.partition(":")
        if colon and lead in HEADINGS.values():
            yield Paragraph(f"<b>{markup(lead)}.</b> {markup(rest.strip())}", styles.findings)
        elif line.strip():
            yield Paragraph(markup(line.strip()), styles.findings)


def rule_outs(names: Names, styles: Styles) -> Iterator[Flowable]:
    """Each condition that was looked for, and the verdict; what limits it in smaller type."""
    judged = names.content.reading.rule_outs
    if judged:
        yield from _heading("Looked for", styles)
    for one in judged:
        whole = sentences.rule_out_sentence(names, one)
        said, stop, rest = whole.partition(". ")
        quiet = f'<font size="{styles.cell.fontSize - 0.8}" color="{_QUIET}">{markup(rest)}</font>'
        yield Paragraph(f"{markup(said + stop)}{quiet}", styles.listed, bulletText="–")


def _measurement_row(m: Measurement, names: Names, styles: Styles) -> list[Flowable]:
    kind: str = m.kind
    how: tuple[str, ...] = ()
    if m.computed is not None:
        kind = computed_name(m.computed)
        how = (f"{m.computed.method} version {m.computed.version}", m.computed.word)
    remark = ". ".join(
        p[:1].upper() + p[1:] for p in (m.calibration.strip(), *how, m.note.strip()) if p
    )
    title = names.title(names.item(m.item))
    return [
        Paragraph(markup(title[:1].upper() + title[1:]), styles.cell),
        Paragraph(markup(names.view(m.view).label), styles.cell),
        Paragraph(markup(kind[:1].upper() + kind[1:]), styles.cell),
        Paragraph(markup(computed.value_words(m)), styles.number),
        Paragraph(markup(remark), styles.cell),
    ]


def measurements(names: Names, styles: Styles) -> Iterator[Flowable]:
    """A table: what, where, how much, how it was calibrated."""
    measured = names.content.reading.measurements
    if not measured:
        return
    yield from _heading("Measurements", styles)
    rows: list[list[Flowable]] = [
        [
            Paragraph(t, styles.head)
            for t in ("Structure", "View", "Measured", "", "Calibration and remark")
        ]
    ]
    rows.extend(_measurement_row(m, names, styles) for m in measured)
    widths = (0.28, 0.12, 0.1, 0.12, 0.38)
    table = Table(rows, colWidths=[WIDTH * part for part in widths], repeatRows=1)
    table.setStyle(
        TableStyle(
            [
                ("VALIGN", (0, 0), (-1, -1), "TOP"),
                ("LEFTPADDING", (0, 0), (0, -1), 0),
                ("LEFTPADDING", (4, 0), (4, -1), 12),
                ("TOPPADDING", (0, 0), (-1, -1), 1.6),
                ("BOTTOMPADDING", (0, 0), (-1, -1), 2.2),
                ("LINEBELOW", (0, 0), (-1, 0), 0.7, QUIET),
                ("LINEBELOW", (0, 1), (-1, -1), 0.3, FAINT),
            ]
        )
    )
    yield table


def pictures(
    names: Names, styles: Styles, images: Sequence[KeyImage], limb: LimbMap | None
) -> Iterator[Flowable]:
    """The images that the report points to and the limb, in rows of one height."""
    shown = [_key_image(names, styles, one) for one in images]
    if limb and shown:
        shown += [_limb(names, styles, limb, side) for side in sides(names.content)]
    if not shown:
        return
    yield from _heading("Key images", styles, styles.density.pictures)
    row: list[Picture] = []
    for picture in shown:
        if row and sum(p.width + _GAP for p in row) + picture.width > WIDTH:
            yield _picture_row(row)
            row = []
        row.append(picture)
    yield _picture_row(row)


def _key_image(names: Names, styles: Styles, one: KeyImage) -> Picture:
    wide, high = ImageReader(io.BytesIO(one.png)).getSize()
    height = styles.density.pictures
    width = wide * height / high
    if width > WIDTH:
        width, height = WIDTH, high * WIDTH / wide
    view = names.view(one.view)
    side = {"L": ", left", "R": ", right"}.get(view.side, "")
    caption = Paragraph(markup(f"{view.label}{side}"), styles.caption)
    return Picture(Image(io.BytesIO(one.png), width, height), caption, width)


def _limb(names: Names, styles: Styles, limb: LimbMap, side: str) -> Picture:
    drawing = limb_drawing(names.content, limb, side, styles.density.pictures)
    words = {"R": "Right limb", "L": "Left limb"}[side]
    legend = f"{words}: red abnormal, amber variant"
    return Picture(drawing, Paragraph(legend, styles.caption), max(drawing.width, 34 * mm))


def _picture_row(row: Sequence[Picture]) -> Flowable:
    table = Table(
        [[p.flowable for p in row], [p.caption for p in row]],
        colWidths=[p.width + _GAP for p in row],
        hAlign="LEFT",
    )
    table.setStyle(
        TableStyle(
            [
                *_TIGHT,
                ("BOTTOMPADDING", (0, 0), (-1, 0), 2),
                ("BOTTOMPADDING", (0, 1), (-1, 1), 3),
                ("RIGHTPADDING", (0, 0), (-1, -1), _GAP),
                ("ALIGN", (0, 0), (-1, 0), "LEFT"),
            ]
        )
    )
    return table


def closing(names: Names, styles: Styles) -> Iterator[Flowable]:
    """What limits the report, in small print, and who answers for it."""
    content = names.content
    limits = text.limits(names)
    if limits:
        yield Spacer(1, styles.density.air)
        yield HRFlowable(width="100%", thickness=0.4, color=FAINT, spaceAfter=3)
        yield Paragraph("<b>Limits.</b> " + markup(" ".join(limits)), styles.small)
    yield Spacer(1, styles.density.air)
    if content.signer is None or content.signed_at is None:
        yield Paragraph("<b>NOT SIGNED</b>", styles.signature)
        return
    organization = content.signer.organization.strip()
    where = f", {organization}" if organization else ""
    signed = (
        f"<b>{markup(text.person(content.signer))}</b>{markup(where)}<br/>"
        f"Signed electronically {content.signed_at:%Y-%m-%d %H:%M %z}"
    )
    yield KeepTogether(
        [
            HRFlowable(width=70 * mm, thickness=0.7, color=INK, hAlign="LEFT", spaceAfter=2),
            Paragraph(signed, styles.signature),
        ]
    )
