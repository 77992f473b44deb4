"""What goes with a signed report: made from the stored images, in series of their own."""

import json
import logging
from collections.abc import Sequence
from datetime import datetime
from threading import Lock
from typing import TYPE_CHECKING, NamedTuple

from pydicom.dataset import Dataset
from pydicom.uid import generate_uid

from dicom_service import imaging
from dicom_service.errors import BadObject
from dicom_service.report.companions import (
    KeyImage,
    LimbMap,
    Place,
    annotated_views,
    encapsulated_pdf,
    key_images,
    key_views,
    presentation_state,
    report_pdf,
)
from dicom_service.report.computed import lines as computed_lines
from dicom_service.report.model import ReportContent
from dicom_service.settings import PLUGIN
from dicom_service.store import StoredInstance
from dicom_service.workflow.headers import read_header

if TYPE_CHECKING:
    from dicom_service.workflow.desk import Desk

log = logging.getLogger(__name__)

MOST_PICTURES = 8
"""On the printed page; the key image selection has all."""
PDF_OFFSET, KEY_OFFSET, PRESENTATION_OFFSET = 2, 3, 4
"""Added to the Series Number of the report."""
_TYPESETTING = Lock()
"""Held by whoever typesets: of two reports made at the same moment one would get letters of
neither, or none at all."""


class Companion(NamedTuple):
    """An object and its role beside the report."""

    role: str
    dataset: Dataset


def limb_maps() -> tuple[LimbMap, ...]:
    """The drawings that the panel has, in the order of their names."""
    files = sorted((PLUGIN / "maps").glob("*.json"))
    return tuple(json.loads(file.read_text("utf-8")) for file in files)


def printed(desk: "Desk", content: ReportContent) -> bytes:
    """The report as a PDF, with pictures of the images that it points to."""
    stored = {i.sop_instance_uid: i for i in desk.store.instances(content.facts.study_uid)}
    pictures = []
    for uid in key_views(content)[:MOST_PICTURES]:
        png = _picture(content, stored[uid]) if uid in stored else None
        if png:
            pictures.append(KeyImage(uid, png))
    maps = limb_maps()
    with _TYPESETTING:
        return report_pdf(content, pictures, maps)


def beside_images(
    desk: "Desk", content: ReportContent, evidence: Sequence[Dataset], number: int, at: datetime
) -> list[Companion]:
    """Key images and presentation states, as far as the site sends them.

    An addendum changes neither findings nor measurements: those of the signed report stay.
    """
    if content.kind not in ("final", "correction"):
        return []
    made = []
    if desk.settings.send_key_images:
        place = Place(_uid(), _uid(), number + KEY_OFFSET, at)
        selection = key_images(content, evidence, desk.device, place)
        if selection is not None:
            made.append(Companion("key_images", selection))
    if desk.settings.send_presentation_states:
        series = _uid()
        headers = {str(header.SOPInstanceUID): header for header in evidence}
        for order, uid in enumerate(annotated_views(content), 1):
            if uid not in headers:
                continue
            place = Place(_uid(), series, number + PRESENTATION_OFFSET, at, order)
            state = presentation_state(content, headers[uid], evidence, desk.device, place)
            if state is not None:
                made.append(Companion("presentation", state))
    return made


def pdf_of(
    desk: "Desk",
    content: ReportContent,
    source: Dataset,
    evidence: Sequence[Dataset],
    place: Place,
) -> Companion:
    """The printed report as an object that points to `source`."""
    pdf = printed(desk, content)
    return Companion("pdf", encapsulated_pdf(content, pdf, source, evidence, desk.device, place))


def _picture(content: ReportContent, instance: StoredInstance) -> bytes | None:
    """A picture for print; None where the pixels cannot be shown: the report goes without."""
    header = read_header(instance.path)
    if not imaging.can_be_shown(header):
        return None
    uid = instance.sop_instance_uid
    facts = next(image for image in content.facts.images if image.uid == uid)
    measured = [m for m in content.reading.measurements if m.view == uid]
    lines = [line for m in measured for line in computed_lines(m)]
    try:
        shown = imaging.picture(instance.path, header)
    except BadObject as error:
        log.warning("no key image of %s on the printed report: %s", uid, error)
        return None
    return imaging.key_image(
        shown, lines=lines, rotation=facts.rotation, flip=facts.flip_horizontal
    )


def _uid() -> str:
    return str(generate_uid(prefix=None))
