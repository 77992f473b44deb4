"""What an examination stores: an invented study and the signed documents made of it."""

from datetime import UTC, datetime, timedelta

from pydicom.dataset import Dataset
from pydicom.uid import generate_uid

from dicom_service import report
from dicom_service.report.model import (
    Addendum,
    Device,
    Reference,
)
from dicom_service.settings import Settings
from dicom_service.workflow.signing import identity
from dicom_service.workflow.versions import FIRST_SERIES
from test_pacs.example import SIGNER, example_content


def documents(images: list[Dataset], settings: Settings) -> dict[str, Dataset]:
    """File name -> object: the images, a final report with measurements, and its addendum."""
    content = example_content(images)
    device = Device(uid=generate_uid(prefix=None), station_name=settings.ae_title)
    at = datetime.now(UTC)
    files = {f"image-{n}.dcm": d for n, d in enumerate(images, start=1)}
    final = content.model_copy(update={"kind": "final", "signer": SIGNER, "signed_at": at})
    built = report.build(final, identity(at, FIRST_SERIES, True), device, images)
    files["final.dcm"] = built.report
    if built.measurements is not None:
        files["measurements.dcm"] = built.measurements
    later = at + timedelta(seconds=1)
    addendum = final.model_copy(
        update={
            "kind": "addendum",
            "signed_at": later,
            "addenda": (Addendum(text="Invented, to be deleted.", author=SIGNER, at=later),),
            "predecessors": (
                Reference(
                    sop_instance_uid=built.report.SOPInstanceUID,
                    sop_class_uid=built.report.SOPClassUID,
                    series_uid=built.report.SeriesInstanceUID,
                    kind="final",
                ),
            ),
        }
    )
    amended = report.build(addendum, identity(later, FIRST_SERIES + 10, True), device, images)
    files["addendum.dcm"] = amended.report
    return files
