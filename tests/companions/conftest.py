"""A signed reading of the small invented study, with one of everything that companions show."""

import io
from collections.abc import Callable
from datetime import datetime, timedelta, timezone

import pytest
from PIL import Image
from pydicom.dataset import Dataset
from pydicom.uid import generate_uid

from dicom_service import report, review
from dicom_service.measure import complete
from dicom_service.report.companions import Place
from dicom_service.report.model import Addendum, Device, Person, Reference, ReportContent
from dicom_service.review.model import Measurement, Observation, Outline
from dicom_service.workflow.signing import identity
from test_pacs.example import example_content
from test_pacs.studies import small_study

AT = datetime(2026, 3, 4, 15, 6, 7, tzinfo=timezone(timedelta(hours=1)))
DEVICE = Device(uid="2.25.77", station_name="SESAMOID", institution="Clinic by the Canal")
READER = Person(login="ida", name="Vreeland^Ida^^Dr", organization="Clinic by the Canal")


def place(number: int = 9003, order: int = 1) -> Place:
    """Fresh UIDs in a series of its own."""
    return Place(generate_uid(prefix=None), generate_uid(prefix=None), number, AT, order)


def signed(images: list[Dataset], **changes: object) -> ReportContent:
    """A fracture of the radius on the first view, a length, an angle and a variant."""
    example = example_content(images)
    facts, template, reading = example.facts, example.template, example.reading
    views = [view.uid for view in template.views]
    item = next(i for i in template.items if i.structure == "radius_distal").id
    other = next(i for i in template.items if i.structure == "ulna_distal").id
    angle = Measurement(
        id="m-angle", item=item, view=views[-1], kind="angle",
        points=((40.0, 40.0), (60.0, 90.0), (40.0, 140.0)),
    )  # fmt: skip
    known = {image.uid: image for image in facts.images}
    measured = (*reading.measurements, complete(angle, known[angle.view]))
    observations = {**reading.observations}
    observations[other] = {**observations[other], views[0]: Observation(value="variant")}
    foramen = Outline(
        id="o-1", item=other, view=views[0], name="nutrient foramen", kind="ellipse",
        points=((58.0, 70.0), (62.0, 70.0), (60.0, 65.0), (60.0, 75.0)),
    )  # fmt: skip
    reading = reading.model_copy(
        update={
            "outlines": (foramen,),
            "measurements": measured,
            "observations": observations,
            "recommendations": "Orthogonal views | repeat & compare in 10^2 hours \\ days.",
            **changes,
        }
    )
    return ReportContent(
        kind="final",
        facts=facts,
        template=template,
        reading=reading,
        signer=READER,
        signed_at=AT,
        findings_text=review.findings_text(facts, template, reading),
    )


def with_addendum(content: ReportContent, text: str) -> ReportContent:
    """The report continued."""
    earlier = Reference(
        sop_instance_uid="2.25.1", sop_class_uid="1.2.840.10008.5.1.4.1.1.88.33",
        series_uid="2.25.2", kind="final",
    )  # fmt: skip
    remark = Addendum(text=text, author=READER, at=AT + timedelta(days=1))
    changes = {"kind": "addendum", "addenda": (remark,), "predecessors": (earlier,)}
    return content.model_copy(update=changes)


def corrected(content: ReportContent, reason: str) -> ReportContent:
    """The report signed once more, in place of the first."""
    earlier = with_addendum(content, "").predecessors
    why = Addendum(text=reason, author=READER, at=AT + timedelta(days=1))
    changes = {"kind": "correction", "corrections": (why,), "predecessors": earlier}
    return content.model_copy(update=changes)


@pytest.fixture
def images() -> list[Dataset]:
    return small_study(seed="companions")


@pytest.fixture
def content(images: list[Dataset]) -> ReportContent:
    return signed(images)


@pytest.fixture
def source(content: ReportContent, images: list[Dataset]) -> Dataset:
    """The structured report that the others belong to."""
    return report.build(content, identity(AT, 9001, True), DEVICE, images).report


@pytest.fixture
def png() -> Callable[[int, int], bytes]:
    def make(width: int, height: int) -> bytes:
        out = io.BytesIO()
        Image.new("L", (width, height), 90).save(out, "PNG")
        return out.getvalue()

    return make
