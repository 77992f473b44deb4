"""The document around the content tree: state, observers, evidence, predecessors, equipment."""

from collections.abc import Iterable, Sequence
from datetime import datetime
from typing import NamedTuple

from pydicom.dataset import Dataset, FileMetaDataset
from pydicom.uid import (
    UID,
    ComprehensiveSRStorage,
    EncapsulatedPDFStorage,
    ExplicitVRLittleEndian,
)

import dicom_service
from dicom_service.codes import SCHEME, SCHEME_UID, Code, get
from dicom_service.report import items as sr
from dicom_service.report.model import Device, Identity, Person, Reference, ReportContent, Withdrawn
from dicom_service.report.originals import keep_originals
from dicom_service.report.patient import (
    add_patient_and_study,
    copied,
    copied_code,
    first_header,
    has_code,
    put,
)
from dicom_service.report.states import STATES, purpose

MAKER = "Sesamoid"
IMPLEMENTATION_UID = sr.tracking_uid(SCHEME_UID, "implementation")
REPORT_TEMPLATE = "LIMBREADING"
"""Identifier of the report's private template in our mapping resource."""


class Instance(NamedTuple):
    """Which instance is being made, in which series, and what its series is called."""

    sop_instance_uid: str
    series_uid: str
    series_number: int
    title: str


def document(
    content: ReportContent,
    identity: Identity,
    device: Device,
    evidence: Sequence[Dataset],
    instance: Instance,
    continued: Sequence[Reference] = (),
) -> Dataset:
    """A Comprehensive SR with everything but its content tree and its evidence.

    Parameters
    ----------
    continued
        The documents that this one continues or replaces.
    """
    made = bare_document(ComprehensiveSRStorage, content, identity, device, evidence, instance)
    _add_state(made, content, identity, device)
    if continued:
        made.PredecessorDocumentsSequence = _predecessors(content, continued)
    performed = first_header(evidence).get("ProcedureCodeSequence") or []
    made.PerformedProcedureCodeSequence = [copied_code(c) for c in performed if has_code(c)]
    return made


def bare_document(
    sop_class_uid: str,
    content: ReportContent,
    identity: Identity,
    device: Device,
    evidence: Sequence[Dataset],
    instance: Instance,
) -> Dataset:
    """What every document of ours has: animal, study, series, maker, request, our codes."""
    made = Dataset()
    made.file_meta = file_meta(sop_class_uid, instance.sop_instance_uid)
    made.SpecificCharacterSet = "ISO_IR 192"
    made.SOPClassUID = sop_class_uid
    made.SOPInstanceUID = instance.sop_instance_uid
    add_patient_and_study(made, content, evidence)
    keep_originals(made, evidence, identity.at, MAKER)
    _add_series(made, identity, instance)
    add_equipment(made, device)
    add_requests(made, content, evidence)
    made.CodingSchemeIdentificationSequence = [_scheme()]
    return made


def file_meta(sop_class_uid: str, sop_instance_uid: str) -> FileMetaDataset:
    """The file meta information of something that we write, uncompressed."""
    meta = FileMetaDataset()
    meta.MediaStorageSOPClassUID = UID(sop_class_uid)
    meta.MediaStorageSOPInstanceUID = UID(sop_instance_uid)
    meta.TransferSyntaxUID = ExplicitVRLittleEndian
    meta.ImplementationClassUID = UID(IMPLEMENTATION_UID)
    meta.ImplementationVersionName = MAKER.upper()
    return meta


def _add_series(made: Dataset, identity: Identity, instance: Instance) -> None:
    date, time = identity.at.strftime("%Y%m%d"), identity.at.strftime("%H%M%S.%f")
    made.Modality = "SR"
    made.SeriesInstanceUID = instance.series_uid
    made.SeriesNumber = instance.series_number
    made.SeriesDescription = instance.title
    made.InstanceNumber = identity.instance_number
    made.ReferencedPerformedProcedureStepSequence = []
    for what in ("Series", "Content", "InstanceCreation"):
        setattr(made, f"{what}Date", date)
        setattr(made, f"{what}Time", time)
    offset = sr.dicom_datetime(identity.at)[-5:]
    made.TimezoneOffsetFromUTC = offset


def add_equipment(made: Dataset, device: Device) -> None:
    """Say that this node made it (General Equipment)."""
    made.Manufacturer = MAKER
    made.ManufacturerModelName = MAKER
    made.SoftwareVersions = sr.single(dicom_service.__version__, 64)
    made.StationName = sr.single(device.station_name, 16)
    if device.institution:
        made.InstitutionName = sr.single(device.institution, 64)


def _scheme() -> Dataset:
    item = Dataset()
    item.CodingSchemeDesignator = SCHEME
    item.CodingSchemeUID = SCHEME_UID
    item.CodingSchemeName = "Codes of Sesamoid"
    item.CodingSchemeResponsibleOrganization = MAKER
    return item


def _add_state(made: Dataset, content: ReportContent, identity: Identity, device: Device) -> None:
    state = STATES[content.kind]
    made.CompletionFlag = state.completion
    made.VerificationFlag = state.verification
    made.PreliminaryFlag = state.preliminary
    people = _answering(content) if state.signed else []
    if people:
        made.VerifyingObserverSequence = [_verifier(p, sr.dicom_datetime(t)) for p, t in people]
    writers = [person for person, _ in people]
    if content.signer is not None:
        writers.append(content.signer)
    authors = []
    if "person" in state.authors:
        authors += [_person(writer) for writer in dict.fromkeys(writers)]
    if "device" in state.authors:
        authors.append(_device(device))
    made.AuthorObserverSequence = authors
    if "device" not in state.authors:
        source = _device(device)
        source.ParticipationType = "SOURCE"
        source.ParticipationDateTime = sr.dicom_datetime(identity.at)
        made.ParticipantSequence = [source]


def _answering(content: ReportContent) -> list[tuple[Person, datetime]]:
    """Who answers for the document and since when: newest addendum first, the signer last.

    A correction is answered for by its signer alone, also for the addenda that it keeps.
    """
    if content.signer is None or content.signed_at is None:
        return []
    people = [(a.author, a.at) for a in reversed(content.addenda) if a.at > content.signed_at]
    return [*people, (content.signer, content.signed_at)]


def _verifier(person: Person, at: str) -> Dataset:
    item = Dataset()
    put(item, "VerifyingObserverName", sr.name_parts(person.name))
    item.VerifyingObserverIdentificationCodeSequence = []
    item.VerifyingOrganization = sr.single(person.organization, 64) or "Not stated"
    item.VerificationDateTime = at
    return item


def _person(person: Person) -> Dataset:
    item = Dataset()
    item.ObserverType = "PSN"
    put(item, "PersonName", sr.name_parts(person.name))
    item.PersonIdentificationCodeSequence = []
    item.InstitutionName = sr.single(person.organization, 64)
    item.InstitutionCodeSequence = []
    return item


def _device(device: Device) -> Dataset:
    item = Dataset()
    item.ObserverType = "DEV"
    item.StationName = sr.single(device.station_name, 16)
    item.DeviceUID = device.uid
    item.Manufacturer = MAKER
    item.ManufacturerModelName = MAKER
    item.InstitutionName = sr.single(device.institution, 64)
    item.InstitutionCodeSequence = []
    return item


def _predecessors(content: ReportContent, continued: Sequence[Reference]) -> list[Dataset]:
    study = content.facts.study_uid
    rows = []
    for earlier in continued:
        row = sop_reference(earlier)
        why = get(purpose(content.kind, earlier.kind))
        row.PurposeOfReferenceCodeSequence = [sr.code_item(why)]
        rows.append((study, earlier.series_uid, row))
    return by_study_and_series(rows)


def sop_reference(named: Reference | Withdrawn | sr.ImageReference) -> Dataset:
    """The item that refers to one stored instance."""
    row = Dataset()
    row.ReferencedSOPClassUID = named.sop_class_uid
    row.ReferencedSOPInstanceUID = named.sop_instance_uid
    return row


def by_study_and_series(rows: Iterable[tuple[str, str, Dataset]]) -> list[Dataset]:
    """References nested as the Hierarchical SOP Instance Reference macro wants them."""
    nested: dict[str, dict[str, list[Dataset]]] = {}
    for study, series, row in rows:
        nested.setdefault(study, {}).setdefault(series, []).append(row)
    studies = []
    for study, by_series in nested.items():
        item = Dataset()
        item.StudyInstanceUID = study
        item.ReferencedSeriesSequence = []
        for series, references in by_series.items():
            entry = Dataset()
            entry.SeriesInstanceUID = series
            entry.ReferencedSOPSequence = references
            item.ReferencedSeriesSequence.append(entry)
        studies.append(item)
    return studies


def add_evidence(
    made: Dataset,
    content: ReportContent,
    evidence: Sequence[Dataset],
    referenced: Iterable[sr.ImageReference],
) -> None:
    """List what the document rests on (PS3.3 C.17.2.3).

    A signed report lists every instance of the study that is known; any other document those it
    refers to. Instances of other studies are listed apart, as pertinent other evidence.
    """
    study = content.facts.study_uid
    known = {reference.sop_instance_uid: (study, reference) for reference in referenced}
    if STATES[content.kind].whole_study_is_evidence:
        for header in evidence:
            uid = str(header.SOPInstanceUID)
            reference = sr.ImageReference(
                uid, str(header.SOPClassUID), str(header.SeriesInstanceUID)
            )
            known.setdefault(uid, (str(header.StudyInstanceUID), reference))
    known.pop(made.SOPInstanceUID, None)
    current: list[tuple[str, str, Dataset]] = []
    other: list[tuple[str, str, Dataset]] = []
    for of_study, reference in known.values():
        row = sop_reference(reference)
        (current if of_study == study else other).append((of_study, reference.series_uid, row))
    if current:
        made.CurrentRequestedProcedureEvidenceSequence = by_study_and_series(current)
    if other:
        made.PertinentOtherEvidenceSequence = by_study_and_series(other)


def rendering(uid: str) -> Dataset:
    """The reference to the PDF that shows the whole document (PS3.3 C.17.2, CID 7006)."""
    item = Dataset()
    item.ReferencedSOPClassUID = EncapsulatedPDFStorage
    item.ReferencedSOPInstanceUID = uid
    item.PurposeOfReferenceCodeSequence = [sr.code_item(get("complete_rendering"))]
    return item


def add_requests(made: Dataset, content: ReportContent, evidence: Sequence[Dataset]) -> None:
    """Name every request that the images of the study say they were made for."""
    study = content.facts.study_uid
    found: dict[tuple[str, str], Dataset] = {}
    for image in evidence:
        if str(image.get("StudyInstanceUID", "")) != study:
            continue
        for asked in image.get("RequestAttributesSequence") or [Dataset()]:
            accession = copied(asked, "AccessionNumber") or copied(image, "AccessionNumber")
            key = (accession, copied(asked, "RequestedProcedureID"))
            if any(key):
                found.setdefault(key, asked)
    if found:
        made.ReferencedRequestSequence = [
            _request(study, accession, asked) for (accession, _), asked in found.items()
        ]


def _request(study: str, accession: str, asked: Dataset) -> Dataset:
    request = Dataset()
    request.StudyInstanceUID = study
    request.ReferencedStudySequence = []
    put(request, "AccessionNumber", accession)
    request.PlacerOrderNumberImagingServiceRequest = ""
    request.FillerOrderNumberImagingServiceRequest = ""
    for keyword in ("RequestedProcedureID", "RequestedProcedureDescription"):
        put(request, keyword, copied(asked, keyword))
    request.RequestedProcedureCodeSequence = [
        copied_code(c) for c in asked.get("RequestedProcedureCodeSequence") or [] if has_code(c)
    ][:1]
    return request


def add_root(
    made: Dataset, title: str | Code, resource: tuple[str, str, str], children: Sequence[Dataset]
) -> None:
    """Make the document the root of `children`.

    Parameters
    ----------
    resource
        Mapping resource, its UID, and the identifier of the template in it.
    """
    root = sr.container(title, children)
    del root.RelationshipType
    made.update(root)
    template = Dataset()
    template.MappingResource, template.MappingResourceUID, template.TemplateIdentifier = resource
    made.ContentTemplateSequence = [template]
