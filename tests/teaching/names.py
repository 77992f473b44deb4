"""A study that is full of names, and the words by which they would be found."""

from pydicom.dataset import Dataset
from pydicom.sequence import Sequence

from test_pacs.studies import small_study

NAMED = {
    "PatientName": "Quixbury^Zorbelian", "PatientID": "QX-7731904", "OtherPatientIDs": "OLD-55512",
    "PatientBirthDate": "20120317", "ResponsiblePerson": "Quixbury^Hortensia",
    "PatientAddress": "14 Wimpolefield Yard", "PatientTelephoneNumbers": "0555-120-987",
    "AccessionNumber": "ACC-998877", "InstitutionName": "Fernleigh Veterinary Hospital",
    "InstitutionAddress": "Fernleigh Lane 3", "StationName": "FERN-XRAY-2",
    "DeviceSerialNumber": "SN-4471-K", "ReferringPhysicianName": "Okonjowicz^Ada",
    "OperatorsName": "Brillington^Tamsinelle", "StudyDate": "20260214", "StudyID": "ST-31337",
    "SeriesDate": "20260214", "AcquisitionDate": "20260214", "ContentDate": "20260214",
    "StudyDescription": "Carpus of Zorbelian, owner Quixbury",
    "ImageComments": "call Tamsinelle Brillington",
    "ProtocolName": "FERN-XRAY-2 carpus", "DetectorID": "DET-8122-Z", "PlateID": "PL-0099-X",
}  # fmt: skip
"""Identifying values of each kind that the table of the profile knows, and some it does not. The
birth lies further back than any date is moved, so that a moved one is never taken for it."""
WORDS = (
    "Quixbury", "Zorbelian", "QX-7731904", "OLD-55512", "20120317", "2012-03-17", "Hortensia",
    "Wimpolefield", "0555-120-987", "ACC-998877", "Fernleigh", "FERN-XRAY-2", "SN-4471-K",
    "Okonjowicz",
    "Tamsinelle", "Brillington", "20260214", "2026-02-14", "ST-31337", "DET-8122-Z", "PL-0099-X",
    "PRIVATE-SECRET", "Vreeland", "NESTED-SECRET", "14.02.2026",
)  # fmt: skip
"""Long enough not to stand by chance in a picture that is written as letters."""


def named_study() -> list[Dataset]:
    return named(small_study())


def named(images: list[Dataset]) -> list[Dataset]:
    """The images with every one of the names in their headers."""
    for image in images:
        for keyword, value in NAMED.items():
            setattr(image, keyword, value)
        image.private_block(0x0019, "MAKER", create=True).add_new(1, "LO", "PRIVATE-SECRET")
        item = Dataset()
        item.RequestedProcedureDescription = "NESTED-SECRET"
        item.ScheduledProcedureStepID = "QX-7731904"
        image.RequestAttributesSequence = Sequence([item])
    return images
