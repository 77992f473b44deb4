"""Building the documents of a report: the report for people, the measurements for programs."""

import json
from collections.abc import Iterator, Sequence
from typing import NamedTuple

from pydicom.dataset import Dataset
from pydicom.uid import ComprehensiveSRStorage

from dicom_service.codes import MAPPING_RESOURCE, SCHEME_UID
from dicom_service.errors import Refused
from dicom_service.intake.fitting import plain_value
from dicom_service.report import header
from dicom_service.report import items as sr
from dicom_service.report.coded import coded_part, reference, target_regions
from dicom_service.report.content import check_reading, person_observer, readable
from dicom_service.report.measurements import DCMR, measurement_tree
from dicom_service.report.model import Device, Identity, Person, ReportContent
from dicom_service.report.names import Names
from dicom_service.report.patient import (
    as_code,
    breed_codes,
    first_header,
    is_animal,
    species_codes,
)
from dicom_service.report.states import State, check_state

PRIVATE_GROUP = 0x0071
PRIVATE_CREATOR = "SESAMOID"
PRIVATE_COPY = 0x01
"""(0071,xx01), UT: the report's content as JSON in ASCII, so that no character set changes it."""


class Documents(NamedTuple):
    """The documents of one report; no measurements, no measurement document."""

    report: Dataset
    measurements: Dataset | None


def build(
    content: ReportContent, identity: Identity, device: Device, evidence: Sequence[Dataset]
) -> Documents:
    """Build the documents of `content`.

    Parameters
    ----------
    content
        What the report says; its kind decides the flags.
    identity
        UIDs and time of the documents; those of the measurement document are needed when there
        are measurements, but for a draft: without them it has its measurements in the report.
    device
        The node.
    evidence
        Headers of all instances of the study (and of priors that were used).

    Raises
    ------
    Refused
        The content does not fit its kind, or names what the template does not have.
    """
    state = check_state(content)
    remarks = (*content.addenda, *content.corrections)
    for person in [content.signer, *(remark.author for remark in remarks)]:
        if person is not None:
            _check_name(person)
    names = Names(content)
    check_reading(names)
    measurements = None
    alone = content.kind == "draft" and not identity.measurements_sop_uid
    if content.reading.measurements and not alone:
        measurements = _measurements(names, identity, device, evidence, state)
    return Documents(_report(names, identity, device, evidence, state, measurements), measurements)


def _report(
    names: Names,
    identity: Identity,
    device: Device,
    evidence: Sequence[Dataset],
    state: State,
    measurements: Dataset | None,
) -> Dataset:
    content = names.content
    instance = header.Instance(
        identity.sop_instance_uid, identity.series_uid, identity.series_number, state.title
    )
    # Where nothing is measured any more, the report alone takes the place of both.
    continued = content.predecessors
    if measurements is None:
        continued += content.measured_before
    made = header.document(content, identity, device, evidence, instance, continued)
    referenced = [reference(names, view.uid) for view in content.template.views]
    companion = []
    if measurements is not None:
        uid = measurements.SOPInstanceUID
        companion = [
            sr.composite("CONTAINS", "imaging_measurement_report", ComprehensiveSRStorage, uid)
        ]
        series = measurements.SeriesInstanceUID
        referenced.append(sr.ImageReference(uid, ComprehensiveSRStorage, series))
    sections = [*readable(names), *companion, coded_part(names)]
    if content.kind == "addendum" and content.signed_at is not None:
        _keep_times(sections, sr.dicom_datetime(content.signed_at))
    children = [
        *_context(content, device, state),
        *_subject(content, first_header(evidence)),
        *_modifiers(content, state),
        *sections,
    ]
    resource = (MAPPING_RESOURCE, SCHEME_UID, header.REPORT_TEMPLATE)
    header.add_root(made, "diagnostic_imaging_report", resource, children)
    header.add_evidence(made, content, evidence, referenced)
    if identity.rendering_sop_uid:
        made.ReferencedInstanceSequence = [header.rendering(identity.rendering_sop_uid)]
    _add_private_copy(made, content)
    return made


def _modifiers(content: ReportContent, state: State) -> list[Dataset]:
    """What the document as a whole is about and how far it has come."""
    return [
        sr.coded("HAS CONCEPT MOD", "procedure_reported", "radiography"),
        sr.coded("HAS CONCEPT MOD", "document_state", state.code),
        *(sr.coded("HAS CONCEPT MOD", "target_region", code) for code in target_regions(content)),
    ]


def _add_private_copy(made: Dataset, content: ReportContent) -> None:
    block = made.private_block(PRIVATE_GROUP, PRIVATE_CREATOR, create=True)
    copy = json.dumps(content.model_dump(mode="json"), separators=(",", ":"))
    block.add_new(PRIVATE_COPY, "UT", copy)


def _measurements(
    names: Names, identity: Identity, device: Device, evidence: Sequence[Dataset], state: State
) -> Dataset:
    content = names.content
    if not (identity.measurements_sop_uid and identity.measurements_series_uid):
        raise Refused("There are measurements, but no UIDs were given for their document.")
    instance = header.Instance(
        identity.measurements_sop_uid,
        identity.measurements_series_uid,
        identity.series_number + 1,
        state.measurements_title,
    )
    continued = content.measured_before
    made = header.document(content, identity, device, evidence, instance, continued)
    context = list(_context(content, device, state))
    header.add_root(made, "imaging_measurement_report", DCMR, measurement_tree(names, context))
    views = dict.fromkeys(m.view for m in content.reading.measurements)
    header.add_evidence(made, content, evidence, [reference(names, uid) for uid in views])
    return made


def _keep_times(sections: Sequence[Dataset], signed_at: str) -> None:
    """Items copied from the signed report keep its time (PS3.3 C.17.3, Observation DateTime)."""
    for section in sections:
        if "ObservationDateTime" not in section:
            section.ObservationDateTime = signed_at


def _context(content: ReportContent, device: Device, state: State) -> Iterator[Dataset]:
    """Language and observers (TID 1204, 1001)."""
    yield sr.coded("HAS CONCEPT MOD", "language", "english")
    signer = content.signer
    if signer is not None:
        yield from person_observer(signer.name, signer.login, signer.organization)
    if "device" in state.authors:
        yield sr.coded("HAS OBS CONTEXT", "observer_type", "device")
        yield sr.uid_item("HAS OBS CONTEXT", "device_observer_uid", device.uid)
        yield from sr.text("HAS OBS CONTEXT", "device_observer_name", device.station_name)


def _subject(content: ReportContent, image: Dataset) -> Iterator[Dataset]:
    """The animal (TID 1007), its breed in words where the images have no code for it.

    Not in the measurement document: there the validators' older lists of breeds refuse current
    codes, and the patient's attributes say the same.
    """
    if not is_animal(content, image):
        return
    yield sr.coded("HAS OBS CONTEXT", "subject_class", "patient")
    found = [("subject_species", entry) for entry in species_codes(content, image)[:1]]
    found += [("subject_breed", entry) for entry in breed_codes(image)]
    for name, entry in found:
        code = as_code(entry)
        if code is not None:
            yield sr.coded("HAS OBS CONTEXT", name, code)
    if not breed_codes(image):
        words = plain_value(image, "PatientBreedDescription") or content.facts.signalment.breed
        yield from sr.text("HAS OBS CONTEXT", "subject_breed", words)


def _check_name(person: Person) -> None:
    name = sr.name_parts(person.name)
    groups = name.split("=")
    long = any(len(group) > 64 or group.count("^") > 4 for group in groups)
    if not name or len(groups) > 3 or long:
        raise Refused(
            f"The name '{person.name}' of the user '{person.login}' cannot stand in a report: "
            "write family^given^middle^prefix^suffix, at most 64 characters."
        )
