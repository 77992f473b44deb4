"""The list of every code, for people, spreadsheets and terminology servers."""

import csv
import io
from collections.abc import Iterable, Mapping
from functools import cache
from importlib import resources

import yaml

from dicom_service.base import Frozen
from dicom_service.codes.registry import SCHEME, SCHEME_UID, Code

SYSTEMS: Mapping[str, str] = {
    "SCT": "http://snomed.info/sct",
    "LN": "http://loinc.org",
    "DCM": "http://dicom.nema.org/resources/ontology/DCM",
    "UCUM": "http://unitsofmeasure.org",
    "RFC5646": "urn:ietf:bcp:47",
    "UMLS": "http://terminology.hl7.org/CodeSystem/umls",
    SCHEME: f"urn:oid:{SCHEME_UID}",
}
"""Coding scheme designator -> URI by which FHIR knows it."""


class Concept(Frozen):
    """A code and one thing that it is used for."""

    code: Code
    kind: str
    """structure, view, finding descriptor, condition, document, …"""
    used_for: str = ""


class Trap(Frozen):
    """A code of the standard that is easily used for the wrong thing."""

    value: str
    scheme: str
    ours: str
    """The meaning with which we write it; empty: we never write it."""
    other: str
    why: str


@cache
def traps() -> tuple[Trap, ...]:
    """The known traps."""
    file = resources.files("dicom_service.codes") / "data" / "traps.yaml"
    return tuple(
        Trap.model_validate(row) for row in yaml.safe_load(file.read_text("utf-8"))["traps"]
    )


def conflicts(concepts: Iterable[Concept]) -> tuple[str, ...]:
    """Sentences on codes that mean two things, meanings of ours with two codes, and traps."""
    meanings: dict[tuple[str, str], dict[str, None]] = {}
    values: dict[str, dict[str, None]] = {}
    for concept in concepts:
        code = concept.code
        meanings.setdefault(code.key, {}).setdefault(code.meaning)
        if code.scheme == SCHEME:
            values.setdefault(code.meaning, {}).setdefault(code.value)
    written = {trap_key(trap): trap for trap in traps()}
    found = []
    for (value, scheme), said in meanings.items():
        if len(said) > 1:
            found.append(f"{value} ({scheme}) means “{'” and “'.join(said)}”.")
        trap = written.get((value, scheme))
        if trap is not None and set(said) != {trap.ours}:
            found.append(f"{value} ({scheme}) is written as “{'” and “'.join(said)}”: {trap.why}")
    for meaning, codes in values.items():
        if len(codes) > 1:
            found.append(f"“{meaning}” has the codes {' and '.join(codes)} of ours.")
    return tuple(found)


def trap_key(trap: Trap) -> tuple[str, str]:
    """What identifies the code of a trap."""
    return trap.value, trap.scheme


def _rows(concepts: Iterable[Concept]) -> list[tuple[Code, str, str]]:
    """One row for each code, in the order of scheme and value: code, kinds, uses."""
    kinds: dict[Code, dict[str, None]] = {}
    uses: dict[Code, dict[str, None]] = {}
    for concept in concepts:
        kinds.setdefault(concept.code, {}).setdefault(concept.kind)
        if concept.used_for:
            uses.setdefault(concept.code, {}).setdefault(concept.used_for)
    ordered = sorted(kinds, key=lambda c: (c.scheme != SCHEME, c.scheme, c.value))
    return [(c, "; ".join(kinds[c]), "; ".join(uses.get(c, ()))) for c in ordered]


def csv_text(concepts: Iterable[Concept]) -> str:
    """Every code as CSV with a heading line (RFC 4180): ours first, then by scheme and value."""
    out = io.StringIO()
    writer = csv.writer(out)
    writer.writerow(["scheme", "value", "meaning", "kind", "used_for", "system"])
    for code, kinds, uses in _rows(concepts):
        system = SYSTEMS.get(code.scheme, "")
        writer.writerow([code.scheme, code.value, code.meaning, kinds, uses, system])
    return out.getvalue()


def fhir_code_system(concepts: Iterable[Concept], version: str) -> dict[str, object]:
    """Our own codes as a FHIR R4 CodeSystem resource."""
    own = [(c, kinds, uses) for c, kinds, uses in _rows(concepts) if c.scheme == SCHEME]
    return {
        "resourceType": "CodeSystem",
        "id": SCHEME.casefold(),
        "url": SYSTEMS[SCHEME],
        "identifier": [{"system": "urn:ietf:rfc:3986", "value": f"urn:oid:{SCHEME_UID}"}],
        "version": version,
        "name": "Sesamoid",
        "title": f"Codes of Sesamoid (DICOM coding scheme designator {SCHEME})",
        "status": "active",
        "experimental": False,
        "description": "Structures, views, findings, conditions and parts of limb radiograph "
        "reports of animals for which the DICOM standard has no code.",
        "caseSensitive": True,
        "content": "complete",
        "count": len(own),
        "property": [
            {"code": "kind", "description": "What sort of thing it is", "type": "string"},
            {"code": "used-for", "description": "Species and region", "type": "string"},
        ],
        "concept": [
            {
                "code": code.value,
                "display": code.meaning,
                "property": [
                    {"code": name, "valueString": value}
                    for name, value in (("kind", kinds), ("used-for", uses))
                    if value
                ],
            }
            for code, kinds, uses in own
        ],
    }
