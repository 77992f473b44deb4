"""`sesamoid samples DIR`: one of each object that we produce, for trying on an archive."""

import argparse
from datetime import UTC, datetime, timedelta
from pathlib import Path

from pydicom.dataset import Dataset
from pydicom.uid import generate_uid

from dicom_service import intake, report, review
from dicom_service.errors import SetupError
from dicom_service.measure import complete
from dicom_service.report.model import (
    Addendum,
    Device,
    Kind,
    Person,
    Reference,
    ReportContent,
    Withdrawal,
    Withdrawn,
)
from dicom_service.report.states import STATES, continued_by
from dicom_service.review.model import Reading
from dicom_service.settings import Settings
from dicom_service.workflow.signing import identity
from dicom_service.workflow.versions import FIRST_SERIES
from test_pacs.reader import normal_reading, with_finding
from test_pacs.studies import small_study

SIGNER = Person(login="sample", name="Sample^Sonia^^Dr", organization="Invented Demo Clinic")


def run(options: argparse.Namespace, settings: Settings) -> int:
    """Write an invented study and every kind of document of it, the withdrawal last."""
    folder: Path = options.folder
    try:
        folder.mkdir(parents=True, exist_ok=True)
        for name, dataset in _objects(small_study(), settings).items():
            dataset.save_as(folder / name, enforce_file_format=True)
            print(f"{folder / name}: {dataset.get('SeriesDescription', dataset.Modality)}")
    except OSError as error:
        raise SetupError(f"{folder} cannot be written: {error.strerror}.") from error
    return 0


def _objects(images: list[Dataset], settings: Settings) -> dict[str, Dataset]:
    content = _content(images)
    device = Device(uid=generate_uid(prefix=None), station_name=settings.ae_title)
    at = datetime.now(UTC)
    files = {f"image-{n}.dcm": d for n, d in enumerate(images, start=1)}
    earlier: list[Reference] = []
    kinds: tuple[Kind, ...] = ("template", "draft", "final", "addendum", "correction")
    for number, kind in enumerate(kinds):
        moment = at + timedelta(seconds=number)
        names = identity(moment, FIRST_SERIES + 10 * number, with_measurements=kind != "template")
        this = _as(content, kind, moment, continued_by(kind, earlier))
        built = report.build(this, names, device, images)
        files[f"{kind}.dcm"] = built.report
        if kind == "final" and built.measurements is not None:
            files["measurements.dcm"] = built.measurements
        if STATES[kind].signed:
            earlier.append(_reference(built.report, kind))
    withdrawal = Withdrawal(
        reason="quality",
        text="Only a sample.",
        author=SIGNER,
        at=at,
        documents=tuple(Withdrawn(**known.model_dump(exclude={"kind"})) for known in earlier),
    )
    names = identity(at, FIRST_SERIES + 10 * len(kinds), with_measurements=False)
    files["withdrawal.dcm"] = report.build_withdrawal(withdrawal, content, names, device, images)
    return files


def _reference(made: Dataset, kind: Kind) -> Reference:
    return Reference(
        sop_instance_uid=made.SOPInstanceUID,
        sop_class_uid=made.SOPClassUID,
        series_uid=made.SeriesInstanceUID,
        kind=kind,
    )


def _content(images: list[Dataset]) -> ReportContent:
    facts = intake.describe(images)
    template = review.build_template(facts)
    reading = with_finding(
        template,
        normal_reading(template, review.opening_reading(facts, template)),
        "radius_distal",
        ["fracture_line"],
        points=[(60.0, 60.0), (60.0, 90.0)],
        impression="Fracture of the distal radius.",
    )
    known = {image.uid: image for image in facts.images}
    measured = tuple(complete(m, known[m.view]) for m in reading.measurements)
    reading = reading.model_copy(update={"measurements": measured})
    return ReportContent(
        kind="draft",
        facts=facts,
        template=template,
        reading=reading,
        findings_text=review.findings_text(facts, template, reading),
    )


def _as(
    content: ReportContent, kind: Kind, at: datetime, predecessors: tuple[Reference, ...]
) -> ReportContent:
    """The same content in another state of the document."""
    changes: dict[str, object] = {"kind": kind}
    if kind == "template":
        changes |= {"reading": Reading(), "findings_text": ""}
    if STATES[kind].signed:
        changes |= {"signer": SIGNER, "signed_at": at}
    if kind == "addendum":
        remark = Addendum(text="The referring clinic was told by telephone.", author=SIGNER, at=at)
        changes |= {"addenda": (remark,), "predecessors": predecessors}
    if kind == "correction":
        remark = Addendum(text="The side was wrong.", author=SIGNER, at=at)
        changes |= {"corrections": (remark,), "predecessors": predecessors}
    return content.model_copy(update=changes)
