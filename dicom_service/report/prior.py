"""Structured reports that come back from an archive: ours, other makers', or unreadable ones."""

from collections.abc import Sequence

from pydantic import AwareDatetime
from pydicom.dataset import Dataset

from dicom_service.base import Frozen
from dicom_service.codes import get
from dicom_service.errors import BadObject
from dicom_service.intake.model import StudyFacts
from dicom_service.report.build import PRIVATE_CREATOR, PRIVATE_GROUP
from dicom_service.report.foreign import ForeignReport, read_foreign
from dicom_service.report.from_tree import read_tree
from dicom_service.report.header import MAKER, REPORT_TEMPLATE
from dicom_service.report.model import ReportContent
from dicom_service.report.reading_back import private_copy, read
from dicom_service.report.states import STATES
from dicom_service.report.walk import name_of
from dicom_service.review.model import Template

REJECTIONS = {("113001", "DCM"), ("113037", "DCM"), ("113039", "DCM")}
"""Titles of key object documents that name what is not to be used (PS3.16 CID 7010)."""


class OwnReport(Frozen):
    """A report of this program, of this or another version of it."""

    sop_instance_uid: str
    content: ReportContent
    predecessors: tuple[str, ...] = ()
    """SOP Instance UIDs of the documents that it continues."""
    note: str = ""

    @property
    def signed(self) -> bool:
        """Whether a person answers for it."""
        return STATES[self.content.kind].signed

    @property
    def at(self) -> AwareDatetime | None:
        """When it was signed, addenda included."""
        remarks = [addendum.at for addendum in self.content.addenda]
        return max([*remarks, *([self.content.signed_at] if self.content.signed_at else [])],
                   default=None)  # fmt: skip


class Unreadable(Frozen):
    """A document that claims to be a report and cannot be read as one."""

    sop_instance_uid: str
    why: str


def read_prior(document: Dataset) -> OwnReport | ForeignReport | Unreadable:
    """Read a structured report, whoever made it; never raises.

    Our own measurement document is read as any other maker's would be.
    """
    uid = ""
    try:
        uid = str(document.get("SOPInstanceUID", ""))[:64]
        measured = name_of(document) == get("imaging_measurement_report").key
        if measured or not claims_to_be_ours(document):
            return read_foreign(document)
        return _own(document, uid)
    except BadObject as error:
        return Unreadable(sop_instance_uid=uid, why=str(error)[:400])
    except Exception as error:  # noqa: BLE001 - whatever is in a file that says it is a report
        why = f"Its content breaks the rules of a report ({type(error).__name__})."
        return Unreadable(sop_instance_uid=uid, why=why)


def rejected_by(document: Dataset) -> frozenset[str]:
    """SOP Instance UIDs that a key object document takes out of use; never raises."""
    try:
        if name_of(document) not in REJECTIONS:
            return frozenset()
        return frozenset(_instances(document.get("CurrentRequestedProcedureEvidenceSequence")))
    except Exception:  # noqa: BLE001 - whatever is in a file that says it is a key object document
        return frozenset()


def claims_to_be_ours(document: Dataset) -> bool:
    """Whether the document says that this program made it."""
    if str(document.get("Manufacturer", "")).strip() == MAKER:
        return True
    templates = document.get("ContentTemplateSequence") or []
    if any(str(t.get("TemplateIdentifier", "")) == REPORT_TEMPLATE for t in templates):
        return True
    try:
        document.private_block(PRIVATE_GROUP, PRIVATE_CREATOR)
    except KeyError:
        return False
    return True


def prevailing_prior(reports: Sequence[OwnReport]) -> OwnReport | None:
    """The version that counts: signed, not continued by another signed one, the latest of these.

    Two branches of a chain should not exist; if they do, the later signature counts.
    """
    signed = [found for found in reports if found.signed]
    continued = {uid for found in signed for uid in found.predecessors}
    ends = [found for found in signed if found.sop_instance_uid not in continued]
    # A ring of predecessors has no end; then only the times tell.
    return max(ends or signed, key=_order, default=None)


def _order(found: OwnReport) -> tuple[float, str]:
    return (found.at.timestamp() if found.at else 0.0), found.sop_instance_uid


def _own(document: Dataset, uid: str) -> OwnReport:
    note = ""
    try:
        private_copy(document)
    except BadObject:
        content = _from_tree_alone(document)
        note = (
            "The report's own copy of its content was written by another version of this program "
            "or is damaged; what is shown comes from the report's coded content."
        )
    else:
        content = read(document)
    return OwnReport(
        sop_instance_uid=uid,
        content=content,
        predecessors=_instances(document.get("PredecessorDocumentsSequence")),
        note=note,
    )


def _from_tree_alone(document: Dataset) -> ReportContent:
    told = read_tree(document)
    study = StudyFacts(study_uid=str(document.get("StudyInstanceUID", "")))
    bare = Template(study_uid=study.study_uid, regions=(), views=(), items=())
    return ReportContent(facts=study, template=bare, **dict(told))


def _instances(studies: Sequence[Dataset] | None) -> tuple[str, ...]:
    """What a hierarchy of studies and series refers to."""
    return tuple(
        str(instance.get("ReferencedSOPInstanceUID", ""))
        for study in studies or []
        for series in study.get("ReferencedSeriesSequence") or []
        for instance in series.get("ReferencedSOPSequence") or []
    )
