"""The report's private template as rows, and as the tables in which PS3.16 prints templates."""

from functools import cache
from importlib import resources

import yaml

from dicom_service.base import Frozen
from dicom_service.codes import MAPPING_RESOURCE, Code, get
from dicom_service.report.header import REPORT_TEMPLATE

SETS = {
    "$structure": "any structure of the anatomy tables",
    "$region": "the part of the limb (DICOM CID 7482)",
    "$view": "any projection of the code list (DICOM CID 7484, 4010 or ours)",
    "$position": "the position of a projection (flexed, stressed), of the code list",
    "$descriptor": "any finding descriptor of the code list",
    "$computed": "any computed number of the code list",
    "$condition": "any condition of the code list",
    "$species": "the species (DICOM CID 7454)",
    "$breed": "the breeds of the images (DICOM CID 7480)",
}
"""What stands for codes that are not listed row by row."""


class TemplateRow(Frozen):
    """One row of a template (PS3.16 section 6.1)."""

    level: int
    relation: str
    value_type: str
    names: tuple[str, ...]
    multiplicity: str
    requirement: str
    condition: str
    values: tuple[str, ...]


@cache
def template_rows() -> tuple[TemplateRow, ...]:
    """Every row of the report's template, in order; a test compares them with what is written."""
    file = resources.files("dicom_service.report") / "data" / "template.yaml"
    rows = yaml.safe_load(file.read_text("utf-8"))["rows"]
    return tuple(
        TemplateRow.model_validate(dict(zip(TemplateRow.model_fields, row, strict=True)))
        for row in rows
    )


def template_tables() -> str:
    """The template in Markdown, with the meaning of its columns."""
    lines = [
        "# Template of the report",
        "",
        "Generated from `dicom_service/report/data/template.yaml` by `sesamoid docs`; do not edit.",
        "",
        f"Template {REPORT_TEMPLATE} of mapping resource {MAPPING_RESOURCE}, extensible, order "
        "significant, root. The document for measurements is TID 1500 of DCMR. NL: nesting level; "
        "VM: value multiplicity; M mandatory, U user option, C conditional.",
        "",
        "| row | NL | relation | VT | concept name | VM | req | condition | value set |",
        "|---|---|---|---|---|---|---|---|---|",
    ]
    for number, row in enumerate(template_rows(), start=1):
        cells = (
            str(number),
            ">" * row.level,
            row.relation,
            row.value_type,
            "<br>".join(_shown(name) for name in row.names),
            row.multiplicity,
            row.requirement,
            row.condition,
            _values(row),
        )
        lines.append(f"| {' | '.join(cells)} |")
    return "\n".join(lines) + "\n"


def _values(row: TemplateRow) -> str:
    unit = "UNITS = " if row.value_type == "NUM" else ""
    return unit + "<br>".join(_shown(value) for value in row.values)


def _shown(name: str) -> str:
    if name in SETS:
        return SETS[name]
    code: Code = get(name)
    return f"({code.value}, {code.scheme}, “{code.meaning}”)"
