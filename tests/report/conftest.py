"""A small study of a dog's carpus: headers, template, reading, and the documents of it."""

from datetime import UTC, datetime, timedelta, timezone
from pathlib import Path

import pydicom
import pytest
from pydicom.dataset import Dataset
from pydicom.uid import ComprehensiveSRStorage, ComputedRadiographyImageStorage

from dicom_service.anatomy import atlas
from dicom_service.codes import Code
from dicom_service.intake.model import ImageFacts, Signalment, Spacing, StudyFacts
from dicom_service.report import Documents, build
from dicom_service.report.model import (
    Addendum,
    Device,
    Identity,
    Person,
    Reference,
    ReportContent,
)
from dicom_service.review.model import (
    Finding,
    Measurement,
    Observation,
    Outline,
    Reading,
    RuleOut,
    RuleOutCandidate,
    Template,
    TemplateItem,
    TemplateView,
)
from tests.report.measured import COMPUTED_JOINT, COMPUTED_SWELLING, DPA, ML, SERIES, STUDY

OSTEOSARCOMA = Code(value="R-TESTTUMOUR", scheme="99SESAMOID", meaning="Bone tumour (test)")
AT = datetime(2026, 3, 4, 15, 6, 7, 89012, timezone(timedelta(hours=1)))
LATER = AT + timedelta(days=20)
READER = Person(login="ida", name="Vreeland^Ida^^Dr", organization="Clinic by the Canal")
DEVICE = Device(uid="2.25.77", station_name="SESAMOID", institution="Clinic by the Canal")
IDENTITY = Identity(
    sop_instance_uid=f"{STUDY}.9.1",
    series_uid=f"{STUDY}.9",
    series_number=9001,
    at=AT,
    measurements_sop_uid=f"{STUDY}.10.1",
    measurements_series_uid=f"{STUDY}.10",
)


def image_header(uid: str, number: int, view: str, spacing: bool = True) -> Dataset:
    """A CR header of a dog's right carpus, as a modality writes it."""
    header = Dataset()
    header.SpecificCharacterSet = "ISO_IR 192"
    header.SOPClassUID = ComputedRadiographyImageStorage
    header.SOPInstanceUID = uid
    header.StudyInstanceUID = STUDY
    header.SeriesInstanceUID = SERIES
    header.StudyDate, header.StudyTime, header.StudyID = "20260304", "101500", "S1"
    header.AccessionNumber = "A-100"
    header.ReferringPhysicianName = "Sørensen^Åse"
    header.Modality = "CR"
    header.SeriesNumber, header.InstanceNumber = "1", str(number)
    header.PatientName, header.PatientID = "Krüger^Bello", "D-4711"
    header.PatientBirthDate, header.PatientSex = "20190501", "M"
    species = Dataset()
    species.CodeValue, species.CodingSchemeDesignator = "448771007", "SCT"
    species.CodeMeaning = "Canis lupus familiaris"
    header.PatientSpeciesCodeSequence = [species]
    breed = Dataset()
    breed.CodeValue, breed.CodingSchemeDesignator = "62137007", "SCT"
    breed.CodeMeaning = "Labrador retriever"
    header.PatientBreedCodeSequence = [breed]
    header.PatientBreedDescription = "Labrador"
    header.BreedRegistrationSequence = []
    header.ResponsiblePerson, header.ResponsiblePersonRole = "Krüger^Jörg", "OWNER"
    header.ResponsibleOrganization = ""
    header.PatientSexNeutered = "ALTERED"
    header.Laterality = "R"
    header.ViewPosition = view
    header.Rows, header.Columns = 800, 600
    if spacing:
        header.ImagerPixelSpacing = ["0.2", "0.2"]
        header.PatientOrientation = ["L", "DI"]
    return header


def make_facts(**changes: object) -> StudyFacts:
    """What intake says of the two headers."""
    images = tuple(
        ImageFacts(
            uid=uid,
            series_uid=SERIES,
            sop_class_uid=ComputedRadiographyImageStorage,
            instance_number=number,
            rows=800,
            columns=600,
            regions=("carpus",),
            view=view,
            side="R",
            spacing=Spacing(kind="detector", row_mm=0.2, column_mm=0.2),
        )
        for number, (uid, view) in enumerate(((DPA, "DPa"), (ML, "ML")), 1)
    )
    facts = StudyFacts(
        study_uid=STUDY,
        accession_number="A-100",
        study_date="20260304",
        description="Carpus right",
        question="Swelling of the distal antebrachium",
        signalment=Signalment(patient_name="Krüger^Bello", species="dog", breed="Labrador"),
        images=images,
    )
    return facts.model_copy(update=changes)


def make_item(structure: str, section: str, code: str, **visibility: str) -> TemplateItem:
    """One structure of the right carpus; visibility by `dpa` and `ml`."""
    seen = {"dpa": "well", "ml": "well", **visibility}
    return TemplateItem(
        id=f"R.carpus.{structure}",
        structure=structure,
        region="carpus",
        side="R",
        name=structure.replace("_", " "),
        section=section,
        group=section,
        kind="bone",
        code=Code(value=code, scheme="99SESAMOID", meaning=structure.replace("_", " ")),
        site=Code(value="8205005", scheme="SCT", meaning="Carpus"),
        visibility={DPA: seen["dpa"], ML: seen["ml"]},
    )


def make_template(items: int = 0) -> Template:
    """Four items, one of them not to be seen in ML; more bones on request."""
    views = (
        TemplateView(uid=DPA, label="DPa", view="DPa", side="R", orthogonal=(ML,)),
        TemplateView(uid=ML, label="ML", view="ML", side="R", orthogonal=(DPA,)),
    )
    return Template(
        study_uid=STUDY,
        revision=2,
        regions=("carpus",),
        views=views,
        items=(
            make_item("test_axis", "alignment", "T-AXIS", ml="no"),
            make_item("test_radius", "bone", "T-RADIUS"),
            make_item("test_ulna", "bone", "T-ULNA"),
            make_item("test_soft_tissue", "soft_tissue", "T-SOFT"),
            *(make_item(f"extra_{n}", "bone", f"T-EXTRA-{n}") for n in range(items)),
        ),
        rule_outs=(
            RuleOutCandidate(
                id="tumour",
                name="Bone tumour",
                code=OSTEOSARCOMA,
                why="the question",
                limits=("Early lesions cannot be seen.",),
                next_steps=("biopsy",),
            ),
            RuleOutCandidate(
                id="other",
                name="Something else",
                code=Code(value="R-TESTOTHER", scheme="99SESAMOID", meaning="Other (test)"),
                why="age",
            ),
        ),
        cautions=("No image is calibrated.",),
    )


def everywhere(template: Template) -> dict[str, dict[str, Observation]]:
    """Every item normal in every view in which it can be seen."""
    return {
        item.id: {
            uid: Observation(value="normal")
            for uid, visibility in item.visibility.items()
            if visibility != "no"
        }
        for item in template.items
    }


def make_reading(template: Template, **changes: object) -> Reading:
    """A complete reading with one of everything."""
    observations = everywhere(template)
    radius = "R.carpus.test_radius"
    observations[radius][DPA] = Observation(value="abnormal", note="distal metaphysis")
    observations[radius][ML] = Observation(value="undetermined")
    observations["R.carpus.test_ulna"][ML] = Observation(value="variant")
    observations["R.carpus.test_soft_tissue"][DPA] = Observation(value="not_assessable")
    descriptors = tuple(d.id for d in atlas().descriptors("bone")[:2])
    reading = Reading(
        template_revision=2,
        observations=observations,
        findings=(
            Finding(
                id="f1",
                item=radius,
                view=DPA,
                descriptors=descriptors,
                severity="moderate",
                aggressiveness="aggressive",
                copied_from="1.2.826.0.1.3680043.10.1.99",
                note="3 cm proximal to the joint",
                cross_check={ML: "not_seen"},
            ),
            Finding(id="f0", item="R.carpus.test_ulna", view=ML, cross_check={"": "no_such_view"}),
        ),
        measurements=(
            Measurement(
                id="m-length",
                item=radius,
                view=DPA,
                kind="length",
                points=((100.25, 200.1), (140.7, 230.3)),
                value=10.123456789,
                unit="mm",
                calibration="at the detector plane",
                finding="f1",
                note="longest extent",
            ),
            Measurement(
                id="m-angle",
                item="R.carpus.test_axis",
                view=DPA,
                kind="angle",
                points=((300.0, 100.0), (300.0, 300.0), (320.5, 500.5)),
                value=5.84,
                unit="deg",
            ),
        ),
        outlines=(
            Outline(
                id="o-1",
                item="R.carpus.test_ulna",
                view=ML,
                name="nutrient foramen",
                kind="ellipse",
                points=((90.1, 50.0), (110.1, 50.0), (100.1, 20.0), (100.1, 80.0)),
            ),
            Outline(
                id="o-2",
                item="R.carpus.test_ulna",
                view=ML,
                name="cut-back zone",
                kind="outline",
                points=((10.0, 10.3), (30.0, 10.0), (20.0, 40.0)),
            ),
        ),
        rule_outs=(
            RuleOut(
                id="tumour",
                verdict="supported",
                evidence=("R.carpus.test_ulna", "f1"),
                note="aggressive pattern",
            ),
        ),
        differentials=("tumour", "fungal osteomyelitis"),
        history="Lame for three weeks.\nNo trauma.",
        technique="Two views, screen.",
        impression="Aggressive lesion of the distal radius.",
        recommendations="Thorax radiographs; biopsy.",
    )
    return reading.model_copy(update=changes)


@pytest.fixture
def computed_content(content: ReportContent) -> ReportContent:
    """The sample with two measurements that the node computed."""
    reading = content.reading
    place = {"item": "R.carpus.test_radius", "finding": "f1"}
    computed = (
        COMPUTED_JOINT.model_copy(update=place),
        COMPUTED_SWELLING.model_copy(update={"item": "R.carpus.test_axis"}),
    )
    both = reading.model_copy(update={"measurements": (*reading.measurements, *computed)})
    return content.model_copy(update={"reading": both})


@pytest.fixture
def evidence() -> list[Dataset]:
    """Headers of the study's two images."""
    return [image_header(DPA, 1, "DPA"), image_header(ML, 2, "ML")]


@pytest.fixture
def content() -> ReportContent:
    """A complete, signed reading."""
    template = make_template()
    return ReportContent(
        kind="final",
        facts=make_facts(),
        template=template,
        reading=make_reading(template),
        signer=READER,
        signed_at=AT,
        findings_text="The distal radius has a lytic area.\nEverything else is normal.",
    )


def of_kind(kind: str, content: ReportContent) -> ReportContent:
    """`content` in another state."""
    earlier = Reference(
        sop_instance_uid=f"{STUDY}.8.1",
        sop_class_uid=ComprehensiveSRStorage,
        series_uid=f"{STUDY}.8",
        kind="final",
    )
    bare = Reading(template_revision=2, history="Lame.", technique="Two views.")
    changes: dict[str, dict[str, object]] = {
        "template": {"reading": bare, "signer": None, "signed_at": None, "findings_text": ""},
        "draft": {"signed_at": None},
        "final": {},
        "addendum": {
            "predecessors": (earlier,),
            "addenda": (
                Addendum(
                    text="The histology is back.\nIt confirms.",
                    author=Person(login="bo", name="Nagy^Bo", organization="Elsewhere"),
                    at=datetime(2026, 3, 9, 8, 0, tzinfo=UTC),
                ),
            ),
        },
    }
    changes["correction"] = {
        "predecessors": (earlier,),
        "addenda": changes["addendum"]["addenda"],
        "corrections": (
            Addendum(
                text="The side was wrong.\nWhat was changed:\nReworded: impression.",
                author=READER,
                at=LATER,
            ),
        ),
        "signed_at": LATER,
    }
    return content.model_copy(update={"kind": kind, **changes[kind]})


def saved(dataset: Dataset, folder: Path, name: str = "document") -> Path:
    """The document as a file."""
    path = folder / f"{name}.dcm"
    dataset.save_as(path, enforce_file_format=True)
    return path


def reread(dataset: Dataset, folder: Path) -> Dataset:
    """The document as it comes back from a file."""
    return pydicom.dcmread(saved(dataset, folder))


@pytest.fixture
def made(content: ReportContent, evidence: list[Dataset]) -> Documents:
    """The documents of the complete reading."""
    return build(content, IDENTITY, DEVICE, evidence)
