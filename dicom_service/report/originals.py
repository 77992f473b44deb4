"""What the images had where a document has something else (PS3.3 C.12.1.1.9).

A value that breaks its VR cannot stand anywhere under its own attribute, so the attribute is named
with no value, and its bytes are kept beside it, in the character set of the document.
"""

from collections.abc import Sequence
from datetime import datetime

from pydicom.datadict import tag_for_keyword
from pydicom.dataset import Dataset

from dicom_service.intake.fitting import PATIENT_AND_STUDY, fault, plain_value
from dicom_service.report import items as sr
from dicom_service.report.patient import first_header, put


def keep_originals(
    document: Dataset, evidence: Sequence[Dataset], at: datetime, system: str
) -> None:
    """Write down each patient and study value that the document could not take over as it was."""
    header = first_header(evidence)
    written = {keyword: plain_value(header, keyword) for keyword in PATIENT_AND_STUDY}
    unfit = {keyword: value for keyword, value in written.items() if fault(keyword, value)}
    if unfit:
        document.OriginalAttributesSequence = [
            _change(keyword, value, at, system) for keyword, value in unfit.items()
        ]


def _change(keyword: str, written: str, at: datetime, system: str) -> Dataset:
    """One attribute that was changed: an item allows the bytes of one value only."""
    named = Dataset()
    put(named, keyword, "")
    change = Dataset()
    change.SourceOfPreviousValues = ""
    change.AttributeModificationDateTime = sr.dicom_datetime(at)
    change.ModifyingSystem = system
    change.ReasonForTheAttributeModification = "CORRECT"
    change.ModifiedAttributesSequence = [named]
    change.NonconformingModifiedAttributesSequence = [_kept(keyword, written)]
    return change


def _kept(keyword: str, written: str) -> Dataset:
    tag = tag_for_keyword(keyword)
    if tag is None:
        raise KeyError(keyword)
    value = written.encode("utf-8", "replace")
    item = Dataset()
    item.SelectorAttribute = tag
    item.SelectorValueNumber = 1
    item.NonconformingDataElementValue = value + b" " * (len(value) % 2)
    return item
