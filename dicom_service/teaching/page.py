"""A teaching case as one page that needs nothing else: it unfolds step by step."""

import base64
from html import escape
from importlib import resources

from pydicom.dataset import Dataset

from dicom_service import imaging, review
from dicom_service.intake.model import ImageFacts
from dicom_service.report.companions import key_views
from dicom_service.teaching.attributes import METHODS, PROFILE_EDITION
from dicom_service.teaching.case import TeachingCase

_SIDES = {"R": "right", "L": "left", "B": "both sides", "U": ""}
_SEXES = {"M": "male", "F": "female", "O": "sex other"}
LONGEST = 1400


def page(case: TeachingCase) -> str:
    """The page: signalment and images, search pattern, findings, conclusion."""
    frame = resources.files("dicom_service.teaching") / "data"
    style = (frame / "case.css").read_text("utf-8")
    script = (frame / "case.js").read_text("utf-8")
    steps = (
        ("The animal and its images", _images(case)),
        ("Search pattern: look before you read on", _pattern(case)),
        ("Findings", _findings(case)),
        ("Conclusion", _conclusion(case)),
    )
    body = "\n".join(
        f'<section class="step"><h2><span>{n}</span> {escape(title)}</h2>\n{html}\n</section>'
        for n, (title, html) in enumerate(steps, 1)
    )
    return (
        '<!doctype html>\n<html lang="en">\n<head>\n<meta charset="utf-8">\n'
        '<meta name="viewport" content="width=device-width, initial-scale=1">\n'
        '<meta http-equiv="Content-Security-Policy" content="default-src \'none\'; img-src data:; '
        "style-src 'unsafe-inline'; script-src 'unsafe-inline'\">\n"
        f"<title>Teaching case: {escape(_signalment(case))}</title>\n<style>\n{style}</style>\n"
        f"</head>\n<body>\n<main>\n<h1>{escape(_signalment(case))}</h1>\n{body}\n"
        '<p class="more"><button type="button" id="next" hidden>Next step</button></p>\n'
        f"{_without_names()}</main>\n"
        f"<script>\n{script}</script>\n</body>\n</html>\n"
    )


def _signalment(case: TeachingCase) -> str:
    animal = case.content.facts.signalment
    sex = _SEXES.get(animal.sex, "")
    altered = {True: "neutered", False: "entire", None: ""}[animal.neutered]
    words = [animal.species or "", animal.breed, _age(animal.age_months), f"{sex} {altered}"]
    said = ", ".join(word.strip() for word in words if word.strip()) or "Animal"
    return said[0].upper() + said[1:]


def _age(months: float | None) -> str:
    if months is None:
        return ""
    return f"{months / 12:.0f} years" if months >= 24 else f"{months:.0f} months"


def _images(case: TeachingCase) -> str:
    question = case.content.facts.question
    asked = f"<p>Question: {escape(question)}</p>\n" if question else ""
    history = case.content.reading.history
    told = f"<p>{_text(history)}</p>\n" if history and history != question else ""
    return asked + told + _figures(case, marked=False)


def _figures(case: TeachingCase, *, marked: bool) -> str:
    by_uid = {str(one.SOPInstanceUID): one for one in case.images}
    shown = [
        _figure(case, image, by_uid[image.uid], marked)
        for image in case.content.facts.images
        if image.uid in by_uid and (not marked or image.uid in key_views(case.content))
    ]
    return f'<div class="images">\n{"".join(shown)}</div>\n' if shown else ""


def _lines(case: TeachingCase, uid: str) -> list[tuple[tuple[float, float], ...]]:
    return [m.points for m in case.content.reading.measurements if m.view == uid]


def _figure(case: TeachingCase, image: ImageFacts, dataset: Dataset, marked: bool) -> str:
    png = imaging.key_image(
        imaging.picture(dataset, dataset),
        lines=_lines(case, image.uid) if marked else (),
        rotation=image.rotation,
        flip=image.flip_horizontal,
        longest=LONGEST,
    )
    name = " ".join(part for part in (_SIDES[image.side], image.view or "image") if part)
    data = base64.b64encode(png).decode("ascii")
    return (
        f'<figure><img src="data:image/png;base64,{data}" alt="Radiograph, {escape(name)}">'
        f"<figcaption>{escape(name[0].upper() + name[1:])}</figcaption></figure>\n"
    )


def _pattern(case: TeachingCase) -> str:
    template = case.content.template
    listed = []
    for section in template.order:
        names = list(dict.fromkeys(i.name for i in template.items if i.section == section))
        if names:
            title = section.replace("_", " ").capitalize()
            items = "".join(f"<li>{escape(name)}</li>" for name in names)
            listed.append(f"<h3>{title} <small>{len(names)}</small></h3><ul>{items}</ul>")
    return "\n".join(listed)


def _findings(case: TeachingCase) -> str:
    told = case.content
    text = told.findings_text or review.findings_text(told.facts, told.template, told.reading)
    return f"<p>{_text(text)}</p>\n" + _figures(case, marked=True)


def _conclusion(case: TeachingCase) -> str:
    told = case.content
    impression = told.reading.impression or review.summary(told.facts, told.template, told.reading)
    parts = [("Impression", impression), ("Recommendations", told.reading.recommendations)]
    return "\n".join(f"<h3>{name}</h3><p>{_text(text)}</p>" for name, text in parts if text)


def _without_names() -> str:
    """How the case was de-identified, as its headers state it too."""
    stated = "; ".join(code.meaning for code in METHODS)
    return (
        f"<footer><p>Names were taken out by DICOM PS3.15 Annex E, edition {PROFILE_EDITION}: "
        f"{escape(stated)}.</p></footer>\n"
    )


def _text(text: str) -> str:
    return escape(text).replace("\n", "<br>")
