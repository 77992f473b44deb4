"""Withdrawing a report: a key object document that names what is not to be used any more.

Its title is one of the two that image managers act on (IHE IOCM: 113001, 113037): an archive that
knows the profile hides what is named, any other keeps a document that people can read.
"""

from collections.abc import Mapping, Sequence

from pydicom.dataset import Dataset
from pydicom.uid import KeyObjectSelectionDocumentStorage

from dicom_service.codes import get
from dicom_service.errors import BadObject, Refused
from dicom_service.report import header
from dicom_service.report import items as sr
from dicom_service.report.content import person_observer
from dicom_service.report.from_tree import person_of, time_of
from dicom_service.report.measurements import DCMR
from dicom_service.report.model import (
    Device,
    Identity,
    Person,
    ReportContent,
    Withdrawal,
    Withdrawn,
)
from dicom_service.report.walk import children, name_of, text_below

TITLES: Mapping[str, str] = {"quality": "rejected_quality", "safety": "rejected_safety"}
"""Reason -> keyword of the document's title (CID 7010)."""

SERIES_TITLE = "Limb report withdrawn"
TEMPLATE = (*DCMR[:2], "2010")


def build_withdrawal(
    withdrawal: Withdrawal,
    content: ReportContent,
    identity: Identity,
    device: Device,
    evidence: Sequence[Dataset],
) -> Dataset:
    """The key object document of a withdrawal.

    Parameters
    ----------
    content
        Of the newest version of the report that is withdrawn.
    identity
        UIDs and time of the document.
    evidence
        Headers of the study's images, which tell the animal and the request.

    Raises
    ------
    Refused
        It names no document or gives no reason.
    """
    if not withdrawal.documents or not sr.tidy(withdrawal.text).strip():
        raise Refused("A withdrawal needs its reason in words and the documents that it is about.")
    kos = KeyObjectSelectionDocumentStorage
    instance = header.Instance(
        identity.sop_instance_uid, identity.series_uid, identity.series_number, SERIES_TITLE
    )
    made = header.bare_document(kos, content, identity, device, evidence, instance)
    made.Modality = "KO"
    author = withdrawal.author
    header.add_root(
        made,
        TITLES[withdrawal.reason],
        TEMPLATE,
        [
            sr.coded("HAS CONCEPT MOD", "language", "english"),
            *person_observer(author.name, author.login, author.organization),
            *sr.text("CONTAINS", "key_object_description", withdrawal.text),
            *(
                sr.nameless(
                    sr.composite(
                        "CONTAINS",
                        TITLES[withdrawal.reason],
                        named.sop_class_uid,
                        named.sop_instance_uid,
                    )
                )
                for named in withdrawal.documents
            ),
        ],
    )
    made.ObservationDateTime = sr.dicom_datetime(withdrawal.at)
    made.CurrentRequestedProcedureEvidenceSequence = header.by_study_and_series(
        (content.facts.study_uid, named.series_uid, header.sop_reference(named))
        for named in withdrawal.documents
    )
    return made


def read_withdrawal(document: Dataset) -> Withdrawal:
    """What a withdrawal says; equal to what it was built from, as far as DICOM text carries it.

    Raises
    ------
    BadObject
        Not a withdrawal, or one that lacks its author, time or documents.
    """
    reasons = {get(title).key: reason for reason, title in TITLES.items()}
    reason = reasons.get(name_of(document))
    if document.get("SOPClassUID") != KeyObjectSelectionDocumentStorage or reason is None:
        raise BadObject("This key object document does not withdraw anything.")
    series = {
        str(row.ReferencedSOPInstanceUID): str(entry.SeriesInstanceUID)
        for study in document.get("CurrentRequestedProcedureEvidenceSequence") or []
        for entry in study.get("ReferencedSeriesSequence") or []
        for row in entry.get("ReferencedSOPSequence") or []
    }
    try:
        named = [
            item.ReferencedSOPSequence[0]
            for item in children(document)
            if item.ValueType == "COMPOSITE"
        ]
        return Withdrawal.model_validate(
            {
                "reason": reason,
                "text": text_below(document, "key_object_description"),
                "author": person_of(document),
                "at": time_of(document.ObservationDateTime),
                "documents": tuple(
                    Withdrawn(
                        sop_instance_uid=str(row.ReferencedSOPInstanceUID),
                        sop_class_uid=str(row.ReferencedSOPClassUID),
                        series_uid=series[str(row.ReferencedSOPInstanceUID)],
                    )
                    for row in named
                ),
            }
        )
    except (AttributeError, KeyError, IndexError, ValueError) as error:
        raise BadObject(f"The withdrawal cannot be read: {error}.") from error


def withdrawal_problems(document: Dataset, withdrawal: Withdrawal) -> tuple[str, ...]:
    """Our own rules for a withdrawal: it says what it was made to say."""
    author = withdrawal.author
    said = withdrawal.model_copy(
        update={
            "text": sr.tidy(withdrawal.text),
            "author": Person(
                login=sr.tidy(author.login),
                name=sr.name_parts(author.name),
                organization=sr.tidy(author.organization),
            ),
        }
    )
    if read_withdrawal(document) != said:
        return ("The withdrawal does not read back as what was written.",)
    return ()
