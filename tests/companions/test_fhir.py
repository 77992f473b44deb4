"""The FHIR bundle against the published model of the standard."""

import base64
import json

import pytest
from fhir.resources.R4B.bundle import Bundle

from dicom_service.report.companions import fhir_bundle

from .conftest import corrected, signed, with_addendum


def resources(content, pdf=None):
    """The bundle's resources by type, after an independent model has read it."""
    bundle = fhir_bundle(content, pdf)
    Bundle.model_validate_json(json.dumps(bundle))
    found = {}
    for entry in bundle["entry"]:
        found.setdefault(entry["resource"]["resourceType"], []).append(entry["resource"])
    return found


def references(part):
    """Every reference in a resource."""
    if isinstance(part, dict):
        here = [part["reference"]] if isinstance(part.get("reference"), str) else []
        return here + [r for value in part.values() for r in references(value)]
    return [r for value in part for r in references(value)] if isinstance(part, list) else []


def test_the_model_accepts_the_bundle_and_every_reference_points_inside(content):
    bundle = fhir_bundle(content, b"%PDF")
    Bundle.model_validate_json(json.dumps(bundle))
    addresses = {entry["fullUrl"] for entry in bundle["entry"]}
    assert len(addresses) == len(bundle["entry"])
    assert set(references(bundle)) <= addresses


def test_the_model_would_have_refused_a_report_without_status(content):
    bundle = fhir_bundle(content)
    del bundle["entry"][0]["resource"]["status"]
    with pytest.raises(ValueError, match="status"):
        Bundle.model_validate_json(json.dumps(bundle))


def test_the_animal_is_an_animal_with_its_owner(content):
    found = resources(content)
    (extension,) = found["Patient"][0]["extension"]
    assert extension["url"] == "http://hl7.org/fhir/StructureDefinition/patient-animal"
    species = extension["extension"][0]["valueCodeableConcept"]["coding"][0]
    assert (species["system"], species["code"]) == ("http://snomed.info/sct", "448771007")
    assert found["RelatedPerson"][0]["name"][0]["family"] == "Invented"


@pytest.mark.parametrize(
    ("kind", "status"),
    [
        ("draft", "preliminary"),
        ("final", "final"),
        ("addendum", "appended"),
        ("correction", "corrected"),
    ],
)
def test_the_state_of_the_report_is_its_status(content, kind, status):
    if kind == "addendum":
        content = with_addendum(content, "More.")
    elif kind == "correction":
        content = corrected(content, "The other side.")
    elif kind == "draft":
        content = content.model_copy(update={"kind": "draft", "signer": None, "signed_at": None})
    assert resources(content)["DiagnosticReport"][0]["status"] == status


def test_measurements_and_the_printed_report_are_in_it(content):
    found = resources(content, b"%PDF-1.4 x")
    values = [o["valueQuantity"] for o in found["Observation"]]
    assert [(v["value"], v["code"]) for v in values] == [
        (round(m.value, 4), m.unit) for m in content.reading.measurements
    ]
    report = found["DiagnosticReport"][0]
    assert len(report["result"]) == 2
    assert base64.b64decode(report["presentedForm"][0]["data"]) == b"%PDF-1.4 x"
    assert report["conclusion"] == "Fracture of the distal radius."


def test_the_images_are_listed(content):
    study = resources(content)["ImagingStudy"][0]
    assert study["numberOfInstances"] == 2
    assert {i["uid"] for s in study["series"] for i in s["instance"]} == {
        image.uid for image in content.facts.images
    }


def test_a_bare_study_is_valid_too(images):
    content = signed(images, measurements=(), impression="")
    facts = content.facts.model_copy(
        update={
            "signalment": type(content.facts.signalment)(),
            "accession_number": "",
            "study_date": "",
        }
    )
    assert "RelatedPerson" not in resources(content.model_copy(update={"facts": facts}))
