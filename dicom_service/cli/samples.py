"""`sesamoid samples DIR`: one of each object that we produce, for trying on an archive."""

import argparse
import json
from datetime import UTC, datetime, timedelta
from pathlib import Path

from pydicom.dataset import Dataset
from pydicom.uid import generate_uid

from dicom_service import imaging, report
from dicom_service.errors import SetupError
from dicom_service.report.companions import (
    KeyImage,
    Place,
    annotated_views,
    encapsulated_pdf,
    fhir_bundle,
    key_images,
    key_views,
    oru_message,
    presentation_state,
    report_pdf,
)
from dicom_service.report.model import (
    Addendum,
    Device,
    Kind,
    Reference,
    ReportContent,
    Withdrawal,
    Withdrawn,
)
from dicom_service.report.states import STATES, continued_by
from dicom_service.review.model import Reading
from dicom_service.settings import Settings
from dicom_service.workflow.companions import (
    KEY_OFFSET,
    PDF_OFFSET,
    PRESENTATION_OFFSET,
    limb_maps,
)
from dicom_service.workflow.signing import identity
from dicom_service.workflow.versions import FIRST_SERIES
from test_pacs.example import SIGNER, example_content
from test_pacs.studies import small_study


def run(options: argparse.Namespace, settings: Settings) -> int:
    """Write an invented study, every kind of document of it, and what goes with the signed one."""
    folder: Path = options.folder
    try:
        folder.mkdir(parents=True, exist_ok=True)
        objects, texts = _objects(small_study(), settings)
        for name, text in texts.items():
            (folder / name).write_text(text, "utf-8", newline="")
            print(folder / name)
        for name, dataset in objects.items():
            dataset.save_as(folder / name, enforce_file_format=True)
            print(f"{folder / name}: {dataset.get('SeriesDescription', dataset.Modality)}")
    except OSError as error:
        raise SetupError(f"{folder} cannot be written: {error.strerror}.") from error
    return 0


def _objects(
    images: list[Dataset], settings: Settings
) -> tuple[dict[str, Dataset], dict[str, str]]:
    """DICOM objects and texts by file name."""
    content = example_content(images)
    device = Device(uid=generate_uid(prefix=None), station_name=settings.ae_title)
    at = datetime.now(UTC)
    files = {f"image-{n}.dcm": d for n, d in enumerate(images, start=1)}
    texts: dict[str, str] = {}
    earlier: list[Reference] = []
    kinds: tuple[Kind, ...] = ("template", "draft", "final", "addendum", "correction")
    for order, kind in enumerate(kinds):
        moment = at + timedelta(seconds=order)
        number = FIRST_SERIES + 10 * order
        names = identity(moment, number, with_measurements=kind != "template")
        this = _as(content, kind, moment, continued_by(kind, earlier))
        evidence, place = images, _place(moment, number + PDF_OFFSET)
        if kind == "final":
            beside = _beside(this, images, device, moment, number)
            files |= beside
            evidence = [*images, *beside.values()]
            names = names.model_copy(update={"rendering_sop_uid": place.sop_instance_uid})
        built = report.build(this, names, device, evidence)
        files[f"{kind}.dcm"] = built.report
        if kind == "final" and built.measurements is not None:
            files["measurements.dcm"] = built.measurements
            pdf = _printed(this, images)
            printed = encapsulated_pdf(this, pdf, built.report, images, device, place)
            files["report-pdf.dcm"] = printed
            texts = _texts(this, pdf, moment)
        if STATES[kind].signed:
            earlier.append(_reference(built.report, kind))
    names = identity(at, FIRST_SERIES + 10 * len(kinds), with_measurements=False)
    withdrawal = _withdrawal(earlier, at)
    files["withdrawal.dcm"] = report.build_withdrawal(withdrawal, content, names, device, images)
    return files, texts


def _withdrawal(earlier: list[Reference], at: datetime) -> Withdrawal:
    return Withdrawal(
        reason="quality",
        text="Only a sample.",
        author=SIGNER,
        at=at,
        documents=tuple(Withdrawn(**known.model_dump(exclude={"kind"})) for known in earlier),
    )


def _beside(
    content: ReportContent, images: list[Dataset], device: Device, at: datetime, first: int
) -> dict[str, Dataset]:
    """The key image selection and a presentation state for each annotated image."""
    found = {}
    selection = key_images(content, images, device, _place(at, first + KEY_OFFSET))
    if selection is not None:
        found["key-images.dcm"] = selection
    by_uid = {str(image.SOPInstanceUID): image for image in images}
    for number, uid in enumerate(annotated_views(content), 1):
        place = _place(at, first + PRESENTATION_OFFSET)
        state = presentation_state(content, by_uid[uid], images, device, place)
        if state is not None:
            found[f"presentation-{number}.dcm"] = state
    return found


def _place(at: datetime, number: int) -> Place:
    return Place(generate_uid(prefix=None), generate_uid(prefix=None), number, at)


def _printed(content: ReportContent, images: list[Dataset]) -> bytes:
    by_uid = {str(image.SOPInstanceUID): image for image in images}
    shown = [
        KeyImage(uid, imaging.key_image(imaging.picture(by_uid[uid], by_uid[uid])))
        for uid in key_views(content)
    ]
    return report_pdf(content, shown, limb_maps())


def _texts(content: ReportContent, pdf: bytes, at: datetime) -> dict[str, str]:
    """The signed report in the forms of systems that know no DICOM."""
    bundle = json.dumps(fhir_bundle(content, pdf), ensure_ascii=False, indent=1)
    message = oru_message(content, at=at, control_id="SAMPLE", facility="Invented Demo Clinic")
    return {"report.fhir.json": bundle, "report.hl7": message}


def _reference(made: Dataset, kind: Kind) -> Reference:
    return Reference(
        sop_instance_uid=made.SOPInstanceUID,
        sop_class_uid=made.SOPClassUID,
        series_uid=made.SeriesInstanceUID,
        kind=kind,
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
