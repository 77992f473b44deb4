"""Report templates in the HTML5 format of IHE MRRT, for reporting systems that import it.

One template for each region of each species: a section for history and technique, one for each
part of the search pattern with a choice for each structure, then impression and recommendations.
"""

from collections.abc import Iterator
from datetime import date
from html import escape

from dicom_service.anatomy import Atlas
from dicom_service.anatomy.model import Region, Species, Structure
from dicom_service.codes import SCHEME, SCHEME_UID, Code, get
from dicom_service.review.model import SECTIONS
from dicom_service.review.prose import HEADINGS

CHOICES = ("not_evaluated", "normal", "abnormal", "variant", "undetermined", "not_assessable")
"""Keywords of the codes of an observation; the first is what stands before anyone has looked."""
_SCHEMES = {
    "SCT": "2.16.840.1.113883.6.96",
    "LN": "2.16.840.1.113883.6.1",
    "DCM": "1.2.840.10008.2.16.4",
    SCHEME: SCHEME_UID,
}
_TEXTS = (
    ("history", "history", "History"),
    ("technique", "procedure_heading", "Technique"),
)
_END = (
    ("impression", "impressions_heading", "Impression"),
    ("recommendations", "recommendations_heading", "Recommendations"),
)
Coded = dict[str, Code]


def mrrt_templates(atlas: Atlas, *, version: str, made: date) -> Iterator[tuple[str, str]]:
    """File name and text of the template of every region of every species.

    Parameters
    ----------
    version
        Of this program; stands in the template's identifier.
    made
        The day that stands in the template.
    """
    for species in atlas.all_species:
        for identity in atlas.regions(species.id):
            region = atlas.region(species.id, identity)
            if region and region.structures:
                yield f"{species.id}-{region.id}.html", _page(species, region, version, made)


def _page(species: Species, region: Region, version: str, made: date) -> str:
    coded: Coded = {}
    body = "\n".join(_sections(region, coded))
    title = f"Radiographs of the {species.name}: {region.name}"
    meta = {
        "dcterms.title": title,
        "dcterms.identifier": f"{SCHEME_UID}/{species.id}/{region.id}/{version}",
        "dcterms.description": f"Systematic review of {region.name} radiographs, {species.name}",
        "dcterms.type": "IMAGE_REPORT_TEMPLATE",
        "dcterms.language": "en",
        "dcterms.publisher": "Sesamoid",
        "dcterms.rights": "May be used gratis",
        "dcterms.license": "Apache-2.0",
        "dcterms.date": made.isoformat(),
        "dcterms.creator": "Sesamoid",
    }
    lines = [f'<meta name="{name}" content="{escape(text)}">' for name, text in meta.items()]
    return "\n".join(
        [
            "<!DOCTYPE html>",
            '<html lang="en">',
            "<head>",
            f"<title>{escape(title)}</title>",
            '<meta charset="UTF-8">',
            *lines,
            '<script type="text/xml">',
            *_attributes(species, region, coded),
            "</script>",
            "</head>",
            "<body>",
            body,
            "</body>",
            "</html>",
            "",
        ]
    )


def _attributes(species: Species, region: Region, coded: Coded) -> Iterator[str]:
    """The XML of the template: its status and what its parts mean in codes."""
    yield "<template_attributes>"
    yield "<top-level-flag>true</top-level-flag>"
    yield "<status>ACTIVE</status>"
    yield "<coded_content>"
    used = {code.scheme for code in (*coded.values(), species.code, region.code)}
    yield "<coding_schemes>"
    for scheme in sorted(used):
        uid = _SCHEMES.get(scheme, "")
        yield f'<coding_scheme name="{escape(scheme)}" designator="{escape(uid)}"/>'
    yield "</coding_schemes>"
    yield f'<template_code type="species">{_code(species.code)}</template_code>'
    yield f'<template_code type="region">{_code(region.code)}</template_code>'
    for identity, code in coded.items():
        yield f'<entry ORIGTXT="{identity}"><term>{_code(code)}</term></entry>'
    yield "</coded_content>"
    yield "</template_attributes>"


def _code(code: Code) -> str:
    meaning, value, scheme = (escape(p) for p in (code.meaning, code.value, code.scheme))
    return f'<code meaning="{meaning}" value="{value}" scheme="{scheme}"/>'


def _sections(region: Region, coded: Coded) -> Iterator[str]:
    for name, code, title in _TEXTS:
        yield from _text_section(name, code, title, coded)
    coded["findings"] = get("findings_heading")
    yield _open("findings", "Findings", 1)
    for section in SECTIONS:
        members = [s for s in region.structures if s.section == section]
        if members:
            yield from _structures(section, HEADINGS[section], members, coded)
    yield "</section>"
    for name, code, title in _END:
        yield from _text_section(name, code, title, coded)


def _open(identity: str, title: str, level: int) -> str:
    shown = escape(title)
    return (
        f'<section id="{identity}" class="level{level}" data-section-name="{shown}">\n'
        f'<header class="level{level}">{shown}</header>'
    )


def _text_section(name: str, code: str, title: str, coded: Coded) -> Iterator[str]:
    coded[name] = get(code)
    yield _open(name, title, 1)
    yield (
        f'<p><label for="{name}_text">{title}</label>'
        f'<textarea id="{name}_text" name="{title}" data-field-type="TEXT" '
        'data-field-completion-action="NONE" data-field-mandatory="false"></textarea></p>'
    )
    yield "</section>"


def _structures(section: str, title: str, members: list[Structure], coded: Coded) -> Iterator[str]:
    coded[section] = get(f"section_{section}")
    yield _open(section, title, 2)
    for structure in members:
        yield _choice(section, structure, coded)
    yield (
        f'<p><label for="{section}_remarks">Remarks</label>'
        f'<textarea id="{section}_remarks" name="{escape(title)}: remarks" '
        'data-field-type="TEXT" data-field-mandatory="false"></textarea></p>'
    )
    yield "</section>"


def _choice(section: str, structure: Structure, coded: Coded) -> str:
    identity = f"{section}_{structure.id}"
    coded[identity] = structure.code
    options = []
    for keyword in CHOICES:
        option, code = f"{identity}_{keyword}", get(keyword)
        coded[option] = code
        chosen = " selected" if keyword == CHOICES[0] else ""
        shown = escape(code.meaning)
        options.append(f'<option id="{option}" value="{shown}"{chosen}>{shown}</option>')
    name = escape(structure.name)
    return (
        f'<p><label for="{identity}">{name[:1].upper()}{name[1:]}</label>'
        f'<select id="{identity}" name="{name}" data-field-type="SELECTION_LIST" '
        f'data-field-mandatory="true">{"".join(options)}</select></p>'
    )
