"""FHIR R4: the report as a document bundle with animal, owner, study and measurements.

Plain JSON; every reference points inside the bundle. `patient-animal` is the extension that the
standard itself defines for species and sex status.
"""

import base64
import uuid
from collections.abc import Mapping
from datetime import datetime
from typing import Any

from dicom_service.codes import SCHEME, SCHEME_UID, Code, get
from dicom_service.report import computed, sentences
from dicom_service.report.items import name_parts, tracking_uid
from dicom_service.report.model import Person, ReportContent
from dicom_service.report.names import Names
from dicom_service.report.text import person, plain_text
from dicom_service.review.computed import Computed
from dicom_service.review.model import Measurement

Resource = dict[str, Any]
STATUS = {
    "template": "registered",
    "draft": "preliminary",
    "final": "final",
    "addendum": "appended",
    "correction": "corrected",
}
SYSTEMS: Mapping[str, str] = {
    "SCT": "http://snomed.info/sct",
    "LN": "http://loinc.org",
    "DCM": "http://dicom.nema.org/resources/ontology/DCM",
    "UCUM": "http://unitsofmeasure.org",
    SCHEME: f"urn:oid:{SCHEME_UID}",
}
_ANIMAL = "http://hl7.org/fhir/StructureDefinition/patient-animal"
_GENDER_STATUS = "http://hl7.org/fhir/animal-genderstatus"
_SEX = {"M": "male", "F": "female", "O": "other", "": "unknown"}
_UNITS = {"mm": ("mm", "mm"), "deg": ("deg", "°"), "px": ("{pixels}", "pixels"), "1": ("1", "")}
_DATE = 8
"""Length of a DICOM date."""


def fhir_bundle(content: ReportContent, pdf: bytes | None = None) -> Resource:
    """The report as a FHIR R4 collection bundle.

    Parameters
    ----------
    content
        What the report says.
    pdf
        The printed report, to stand in presentedForm beside the plain text.
    """
    names = Names(content)
    address = _Addresses(content.facts.study_uid)
    performer = _performer(content.signer) if content.signer else None
    observations = [_observation(names, address, m) for m in content.reading.measurements]
    resources: list[tuple[str, Resource]] = [
        ("report", _report(names, address, pdf)),
        ("patient", _patient(content)),
        ("study", _study(content, address)),
    ]
    if content.facts.signalment.responsible_person:
        resources.append(("owner", _owner(content, address)))
    if performer:
        resources.append(("performer", performer))
    ids = [f"measurement/{m.id}" for m in content.reading.measurements]
    resources += list(zip(ids, observations, strict=True))
    bundle: Resource = {"resourceType": "Bundle", "type": "collection"}
    if content.signed_at:
        bundle["timestamp"] = _instant(content.signed_at)
    bundle["entry"] = [
        {"fullUrl": address(name), "resource": resource} for name, resource in resources
    ]
    return bundle


class _Addresses:
    """The address of each resource: the same study gives the same ones."""

    def __init__(self, study_uid: str) -> None:
        self.study_uid = study_uid

    def __call__(self, name: str) -> str:
        made = uuid.uuid5(uuid.NAMESPACE_OID, f"{self.study_uid}/fhir/{name}")
        return f"urn:uuid:{made}"

    def to(self, name: str) -> Resource:
        """A reference."""
        return {"reference": self(name)}


def _concept(code: Code | None, text: str = "") -> Resource:
    concept: Resource = {}
    if code:
        system = SYSTEMS.get(code.scheme)
        coding = {"code": code.value, "display": code.meaning}
        concept["coding"] = [{"system": system, **coding} if system else coding]
    if text or code:
        concept["text"] = text or (code.meaning if code else "")
    return concept


def _report(names: Names, address: _Addresses, pdf: bytes | None) -> Resource:
    content = names.content
    forms = [("text/plain; charset=utf-8", plain_text(content).encode("utf-8"), "Report as text")]
    if pdf is not None:
        forms.insert(0, ("application/pdf", pdf, "Report"))
    report: Resource = {
        "resourceType": "DiagnosticReport",
        "status": STATUS[content.kind],
        "category": [
            {"coding": [{"system": "http://terminology.hl7.org/CodeSystem/v2-0074", "code": "RAD"}]}
        ],
        "code": _concept(get("diagnostic_imaging_report")),
        "subject": address.to("patient"),
        "imagingStudy": [address.to("study")],
        "presentedForm": [
            {"contentType": kind, "data": base64.b64encode(data).decode("ascii"), "title": title}
            for kind, data, title in forms
        ],
    }
    if content.facts.accession_number:
        report["identifier"] = [_accession(content)]
    if content.facts.study_date:
        report |= _day("effectiveDateTime", content.facts.study_date)
    if content.signed_at:
        report["issued"] = _instant(max([content.signed_at, *(a.at for a in content.addenda)]))
    if content.signer:
        report["performer"] = [address.to("performer")]
        report["resultsInterpreter"] = [address.to("performer")]
    if content.reading.measurements:
        ids = [m.id for m in content.reading.measurements]
        report["result"] = [address.to(f"measurement/{identity}") for identity in ids]
    if content.reading.impression.strip():
        report["conclusion"] = content.reading.impression.strip()
    supported = [r for r in content.reading.rule_outs if r.verdict == "supported"]
    if supported:
        report["conclusionCode"] = [
            _concept(names.candidate(r.id).code, names.candidate(r.id).name) for r in supported
        ]
    return report


def _patient(content: ReportContent) -> Resource:
    animal = content.facts.signalment
    species_code = animal.species_code or (get(animal.species) if animal.species else None)
    patient: Resource = {"resourceType": "Patient"}
    species = _concept(species_code, animal.species_text)
    parts = [{"url": "species", "valueCodeableConcept": species or {"text": "Not stated"}}]
    if animal.breed:
        parts.append({"url": "breed", "valueCodeableConcept": {"text": animal.breed}})
    if animal.neutered is not None:
        status = "neutered" if animal.neutered else "intact"
        coding = {"system": _GENDER_STATUS, "code": status}
        parts.append({"url": "genderStatus", "valueCodeableConcept": {"coding": [coding]}})
    patient["extension"] = [{"url": _ANIMAL, "extension": parts}]
    if animal.patient_id:
        patient["identifier"] = [{"value": animal.patient_id}]
    if animal.patient_name:
        patient["name"] = [_name(animal.patient_name)]
    patient["gender"] = _SEX[animal.sex]
    return patient | _day("birthDate", animal.birth_date)


def _owner(content: ReportContent, address: _Addresses) -> Resource:
    relation = {
        "system": "http://terminology.hl7.org/CodeSystem/v3-RoleCode",
        "code": "RESPRSN",
        "display": "responsible party",
    }
    return {
        "resourceType": "RelatedPerson",
        "patient": address.to("patient"),
        "relationship": [{"coding": [relation]}],
        "name": [_name(content.facts.signalment.responsible_person)],
    }


def _performer(signer: Person) -> Resource:
    return {
        "resourceType": "Practitioner",
        "identifier": [{"value": signer.login}],
        "name": [_name(signer.name)],
    }


def _study(content: ReportContent, address: _Addresses) -> Resource:
    facts = content.facts
    dicom = {"system": "urn:dicom:uid", "value": f"urn:oid:{facts.study_uid}"}
    study: Resource = {
        "resourceType": "ImagingStudy",
        "identifier": [dicom, *([_accession(content)] if facts.accession_number else [])],
        "status": "available",
        "subject": address.to("patient"),
        "numberOfInstances": len(facts.images),
    }
    if facts.description:
        study["description"] = facts.description
    if facts.study_date:
        study |= _day("started", facts.study_date)
    series: dict[str, list[Resource]] = {}
    for image in facts.images:
        instance = {
            "uid": image.uid,
            "sopClass": {"system": "urn:ietf:rfc:3986", "code": f"urn:oid:{image.sop_class_uid}"},
        }
        series.setdefault(image.series_uid, []).append(instance)
    modality = {"system": SYSTEMS["DCM"], "code": "RG", "display": "Radiographic imaging"}
    study["numberOfSeries"] = len(series)
    if series:
        study["series"] = [
            {
                "uid": uid,
                "modality": modality,
                "numberOfInstances": len(instances),
                "instance": instances,
            }
            for uid, instances in series.items()
        ]
    return study


def _observation(names: Names, address: _Addresses, measurement: Measurement) -> Resource:
    item = names.item(measurement.item)
    unit, shown = _UNITS[measurement.unit]
    said = [measurement.calibration.strip(), measurement.note.strip()]
    content = names.content
    made: Resource = {
        "resourceType": "Observation",
        "identifier": [
            {
                "system": "urn:dicom:uid",
                "value": f"urn:oid:{_tracking(names, measurement)}",
            }
        ],
        "status": {"template": "registered", "draft": "preliminary"}.get(content.kind, "final"),
        "code": _concept(
            computed.concept(measurement), sentences.measurement_sentence(names, measurement)
        ),
        "subject": address.to("patient"),
        "derivedFrom": [address.to("study")],
        "bodySite": _concept(item.code, names.title(item)),
        "valueQuantity": {
            "value": round(measurement.value, 4),
            "unit": shown,
            "system": SYSTEMS["UCUM"],
            "code": unit,
        },
    }
    if measurement.computed is not None:
        made |= _computed(measurement.computed)
    if any(said):
        made["note"] = [{"text": ". ".join(part for part in said if part)}]
    if content.signer:
        made["performer"] = [address.to("performer")]
    return made | _day("effectiveDateTime", content.facts.study_date)


def _computed(answer: Computed) -> Resource:
    """What computed it, and the numbers beside the first one."""
    others = [
        {
            "code": _concept(computed.number_code(answer, number.id), number.name),
            "valueQuantity": {
                "value": round(number.value, 4),
                "unit": number.unit,
                "system": SYSTEMS["UCUM"],
                "code": get(computed.UNITS[number.unit]).value,
            },
        }
        for number in answer.numbers[1:]
        if number.unit in computed.UNITS
    ]
    method = {"text": f"{answer.method} version {answer.version}"}
    return {"method": method} | ({"component": others} if others else {})


def _tracking(names: Names, measurement: Measurement) -> str:
    """The UID that follows this measurement through the DICOM documents too."""
    return tracking_uid(names.content.facts.study_uid, f"measurement/{measurement.id}")


def _accession(content: ReportContent) -> Resource:
    kind = {"system": "http://terminology.hl7.org/CodeSystem/v2-0203", "code": "ACSN"}
    return {"type": {"coding": [kind]}, "value": content.facts.accession_number}


def _name(written: str) -> Resource:
    """A DICOM person name as HumanName; readable text always, parts where there are some."""
    first = name_parts(written).split("=")[0]
    family, given, middle, prefix, suffix = [*first.split("^"), "", "", "", ""][:5]
    name: Resource = {"text": person(Person(login="", name=written)) or "Not stated"}
    for key, value in (("given", [given, middle]), ("prefix", [prefix]), ("suffix", [suffix])):
        filled = [part for part in value if part]
        if filled:
            name[key] = filled
    if family:
        name["family"] = family
    return name


def _day(key: str, written: str) -> Resource:
    """A DICOM date as an entry, or nothing when it is none."""
    if len(written) != _DATE or not written.isdigit():
        return {}
    return {key: f"{written[:4]}-{written[4:6]}-{written[6:]}"}


def _instant(at: datetime) -> str:
    return at.isoformat(timespec="seconds")
