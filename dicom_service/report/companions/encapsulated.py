"""Encapsulated PDF: the printed report as an object of the study (PS3.3 A.45.1)."""

from collections.abc import Sequence

from pydicom.dataset import Dataset
from pydicom.uid import EncapsulatedPDFStorage

from dicom_service.codes import get
from dicom_service.report import items as sr
from dicom_service.report.companions.composite import Made, Place, add_content_moment, composite
from dicom_service.report.model import Device, ReportContent
from dicom_service.report.states import STATES

KIND = Made(EncapsulatedPDFStorage, "DOC", "Limb report as PDF")


def encapsulated_pdf(
    content: ReportContent,
    pdf: bytes,
    source: Dataset,
    evidence: Sequence[Dataset],
    device: Device,
    place: Place,
) -> Dataset:
    """Wrap a PDF of `content`.

    Parameters
    ----------
    pdf
        The file.
    source
        The structured report that it shows.
    evidence
        Headers of the instances of the study.
    """
    made = composite(content, evidence, device, place, KIND)
    made.ConversionType = "WSD"
    add_content_moment(made, place)
    made.AcquisitionDateTime = ""
    made.BurnedInAnnotation = "YES"
    made.RecognizableVisualFeatures = "NO"
    reference = Dataset()
    reference.ReferencedSOPClassUID = source.SOPClassUID
    reference.ReferencedSOPInstanceUID = source.SOPInstanceUID
    reference.PurposeOfReferenceCodeSequence = [sr.code_item(get("source_report"))]
    made.SourceInstanceSequence = [reference]
    made.DocumentTitle = STATES[content.kind].title
    made.ConceptNameCodeSequence = [sr.code_item(get("diagnostic_imaging_report"))]
    made.VerificationFlag = STATES[content.kind].verification
    made.MIMETypeOfEncapsulatedDocument = "application/pdf"
    made.EncapsulatedDocumentLength = len(pdf)
    # The value must be even; Encapsulated Document Length tells which byte is not the file's.
    made.EncapsulatedDocument = pdf + b"\0" * (len(pdf) % 2)
    return made
