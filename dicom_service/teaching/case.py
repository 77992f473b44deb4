"""From a signed study to a case without names: images, report, key images."""

from dataclasses import dataclass, field
from typing import TYPE_CHECKING

import numpy as np
import pydicom
from pydicom.dataset import Dataset
from pydicom.pixels.utils import pixel_array
from pydicom.uid import ExplicitVRLittleEndian, generate_uid

from dicom_service import report
from dicom_service.errors import NotReady
from dicom_service.imaging import check_streams
from dicom_service.report.companions import Place, key_images
from dicom_service.report.model import Device, ReportContent
from dicom_service.store import StoredInstance
from dicom_service.teaching.attributes import clean_header, say_so
from dicom_service.teaching.pixels import paint_over_writing
from dicom_service.teaching.retold import retell
from dicom_service.teaching.secrets import Secrets
from dicom_service.workflow.headers import read_header
from dicom_service.workflow.signing import identity

if TYPE_CHECKING:
    from dicom_service.workflow.desk import Desk

REPORT_SERIES, KEY_SERIES = 900, 901
LOOK = (
    "Look at every picture before you give the case away: writing that lies over the limb itself "
    "is not found."
)


@dataclass(frozen=True)
class TeachingCase:
    """A case that names nobody."""

    content: ReportContent
    images: tuple[Dataset, ...]
    documents: tuple[Dataset, ...]
    notes: tuple[str, ...] = field(default=(LOOK,))
    """For the person who exports it."""


def teaching_case(desk: "Desk", study_uid: str) -> TeachingCase:
    """The newest signed report of a study and its images, without what identifies.

    Raises
    ------
    NotReady
        No report of the study is signed, or it was withdrawn.
    """
    content = _signed(desk, study_uid)
    wanted = {image.uid for image in content.facts.images}
    stored = desk.store.instances(study_uid)
    secret = Secrets([read_header(one.path) for one in stored], _people(desk, content))
    told = retell(content, secret)
    notes, images = [LOOK], []
    for instance in stored:
        if instance.sop_instance_uid in wanted:
            images.append(_image(instance, secret, notes))
    return TeachingCase(told, tuple(images), _documents(told, images), tuple(notes))


def _signed(desk: "Desk", study_uid: str) -> ReportContent:
    opened = desk.open(study_uid)
    if opened.state == "withdrawn":
        raise NotReady("The report was withdrawn; no teaching case is made of it.")
    reports = [
        row
        for row in desk.store.documents(study_uid)
        if row.role == "report" and row.signed_at is not None
    ]
    if not reports:
        raise NotReady("No report of this study is signed yet; sign it before exporting the case.")
    return desk.store.content(reports[-1].sop_instance_uid)


def _people(desk: "Desk", content: ReportContent) -> list[str]:
    """Identifying words that are in no header of an image."""
    animal, facts = content.facts.signalment, content.facts
    remarks = (*content.addenda, *content.corrections)
    persons = [p for p in (content.signer, *(one.author for one in remarks)) if p]
    return [
        *(text for p in persons for text in (p.name, p.login, p.organization) if text),
        animal.patient_name, animal.patient_id, animal.responsible_person, facts.referring,
        facts.institution, facts.accession_number, desk.settings.institution,
    ]  # fmt: skip


def _image(instance: StoredInstance, secret: Secrets, notes: list[str]) -> Dataset:
    dataset = pydicom.dcmread(instance.path)
    said = str(dataset.get("BurnedInAnnotation") or "")
    check_streams(dataset)
    values = pixel_array(instance.path, raw=True)
    clean_header(dataset, secret)
    if values.ndim == 2:
        values, letters = paint_over_writing(values)
        if letters:
            notes.append(f"{letters} letters written into an image were painted over.")
    elif said != "NO":
        notes.append("A colour or multi-frame image was not searched for writing.")
    dataset.PixelData = np.ascontiguousarray(values).tobytes()
    dataset["PixelData"].VR = "OW" if dataset.BitsAllocated > 8 else "OB"
    if said == "YES":
        del dataset.BurnedInAnnotation
    _file_meta(dataset)
    return dataset


def _file_meta(dataset: Dataset) -> None:
    """A new file header: the old one names the program and the station that sent it."""
    meta = pydicom.dataset.FileMetaDataset()
    meta.MediaStorageSOPClassUID = dataset.SOPClassUID
    meta.MediaStorageSOPInstanceUID = dataset.SOPInstanceUID
    meta.TransferSyntaxUID = ExplicitVRLittleEndian
    dataset.file_meta = meta
    dataset.preamble = b"\0" * 128


def _documents(content: ReportContent, images: list[Dataset]) -> tuple[Dataset, ...]:
    at = content.signed_at
    assert at is not None  # noqa: S101 - retell sets it
    device = Device(uid=_uid(), station_name="TEACHING")
    named = identity(at, REPORT_SERIES, bool(content.reading.measurements))
    built = report.build(content, named, device, images)
    found = [built.report] + ([built.measurements] if built.measurements else [])
    place = Place(_uid(), _uid(), KEY_SERIES, at)
    keys = key_images(content, images, device, place)
    found += [keys] if keys is not None else []
    for document in found:
        say_so(document)
    return tuple(found)


def _uid() -> str:
    return str(generate_uid(prefix=None))
