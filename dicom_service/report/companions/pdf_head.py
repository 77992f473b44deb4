"""The head of the printed report: whose it is, of what, and what it answers."""

from collections.abc import Iterator

from reportlab.lib.units import mm
from reportlab.platypus import Flowable, Paragraph, Spacer, Table, TableStyle

from dicom_service.anatomy import atlas
from dicom_service.codes import get
from dicom_service.intake.values import day
from dicom_service.report.companions.pdf_fonts import markup
from dicom_service.report.companions.pdf_style import ACCENT, WIDTH, Styles
from dicom_service.report.items import name_parts
from dicom_service.report.model import Person, ReportContent
from dicom_service.report.states import STATES
from dicom_service.report.text import person

SEX = {"M": "male", "F": "female", "O": "other sex"}
_RIGHT = 66 * mm


def animal_name(content: ReportContent) -> str:
    """The name as people say it: the animal's own, then the owner's family name."""
    written = name_parts(content.facts.signalment.patient_name)
    family, _, given = written.split("=")[0].partition("^")
    return " ".join(part for part in (given.replace("^", " ").strip(), family.strip()) if part)


def signalment(content: ReportContent) -> str:
    """Species, breed, sex and age in one line."""
    animal = content.facts.signalment
    known = atlas().species(animal.species)
    parts = [
        known.name.capitalize() if known else animal.species_text,
        animal.breed,
        _sex(content),
        _age(animal.age_months),
    ]
    return ", ".join(part for part in parts if part)


def is_invented(content: ReportContent) -> bool:
    """Whether the study calls itself invented, as those of the test clinic do."""
    return "INVENTED" in content.facts.description.upper()


def head(content: ReportContent, styles: Styles) -> Iterator[Flowable]:
    """The band over the first page."""
    facts = content.facts
    state = get(STATES[content.kind].code).meaning
    left = [
        Paragraph(markup(f"Radiograph report · {state}"), styles.kind),
        Paragraph(markup(animal_name(content) or "Name not stated"), styles.name),
        Paragraph(markup(signalment(content)), styles.text),
    ]
    views = ", ".join(
        f"{view.label} {view.side}" if view.side in ("L", "R") else view.label
        for view in content.template.views
    )
    rows = (
        ("Patient ID", facts.signalment.patient_id),
        ("Owner", _person(facts.signalment.responsible_person)),
        ("Study", " · ".join(p for p in (day(facts.study_date), facts.accession_number) if p)),
        ("Images", views),
        ("Referred by", _person(facts.referring)),
    )
    right = [
        [Paragraph(label, styles.small), Paragraph(markup(value), styles.fact)]
        for label, value in rows
        if value.strip()
    ]
    tight = [
        ("VALIGN", (0, 0), (-1, -1), "TOP"),
        ("LEFTPADDING", (0, 0), (-1, -1), 0),
        ("RIGHTPADDING", (0, 0), (-1, -1), 3),
        ("TOPPADDING", (0, 0), (-1, -1), 0),
        ("BOTTOMPADDING", (0, 0), (-1, -1), 0.5),
    ]
    facts_table = Table(right, colWidths=[17 * mm, _RIGHT - 17 * mm], style=TableStyle(tight))
    band = Table([[left, facts_table if right else ""]], colWidths=[WIDTH - _RIGHT, _RIGHT])
    band.setStyle(
        TableStyle(
            [
                *tight,
                ("BOTTOMPADDING", (0, 0), (-1, -1), 6),
                ("LINEBELOW", (0, 0), (-1, -1), 1.1, ACCENT),
            ]
        )
    )
    yield band
    yield Spacer(1, 4)


def request(content: ReportContent, styles: Styles) -> Iterator[Flowable]:
    """Why the images were made and how, side by side in quiet type."""
    question, history = content.facts.question.strip(), content.reading.history.strip()
    asked = "\n".join(dict.fromkeys(part for part in (question, history) if part))
    cells = [
        [Paragraph(title, styles.kind), Paragraph(markup(text), styles.cell)]
        for title, text in (
            ("Question and history", asked),
            ("Technique", content.reading.technique.strip()),
        )
        if text
    ]
    if not cells:
        return
    if sum(len(text) for text in (asked, content.reading.technique)) > 900:
        for cell in cells:
            yield from cell
        return
    table = Table([cells], colWidths=[WIDTH / len(cells)] * len(cells))
    table.setStyle(
        TableStyle(
            [
                ("VALIGN", (0, 0), (-1, -1), "TOP"),
                ("LEFTPADDING", (0, 0), (-1, -1), 0),
                ("RIGHTPADDING", (0, 0), (-1, -1), 10),
                ("TOPPADDING", (0, 0), (-1, -1), 4),
                ("BOTTOMPADDING", (0, 0), (-1, -1), 5),
            ]
        )
    )
    yield table


def _person(name: str) -> str:
    return person(Person(login="", name=name))


def _sex(content: ReportContent) -> str:
    animal = content.facts.signalment
    sex = SEX.get(animal.sex, "")
    if animal.neutered is None or not sex:
        return sex
    return f"{sex}, {'neutered' if animal.neutered else 'entire'}"


def _age(months: float | None) -> str:
    if months is None:
        return ""
    years, rest = divmod(int(months), 12)
    parts = [(years, "year"), (rest, "month")]
    return " ".join(f"{n} {word}{'' if n == 1 else 's'}" for n, word in parts if n) or "newborn"
