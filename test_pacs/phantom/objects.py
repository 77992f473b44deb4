"""Writes a radiograph of the phantom as a DICOM object: CR or DX, with the animal's modules.

Orientation codes are those of a quadruped (PS3.3 C.7.6.1.1.1): one direction, then refinements.
"""

import datetime
import hashlib
import uuid
from dataclasses import dataclass
from typing import Literal

import numpy as np
from pydicom.dataset import Dataset, FileMetaDataset
from pydicom.uid import UID, ExplicitVRLittleEndian

from test_pacs.phantom.beam import Projection
from test_pacs.phantom.image import Exposed

Coded = tuple[str, str, str]
Kind = Literal["CR", "DX"]

SOP_CLASSES = {"CR": "1.2.840.10008.5.1.4.1.1.1", "DX": "1.2.840.10008.5.1.4.1.1.1.1"}
IMPLEMENTATION_UID = "2.25.230117395301648093241876500197153904312"
SPECIES: dict[str, Coded] = {
    "dog": ("448771007", "SCT", "Canis lupus familiaris"),
    "cat": ("448169003", "SCT", "Felis catus"),
    "horse": ("35354009", "SCT", "Equus caballus"),
}
VIEWS: dict[str, Coded] = {
    "DPa": ("441505008", "SCT", "Dorsopalmar"),
    "ML": ("399260004", "SCT", "medial-lateral"),
    "LM": ("399352003", "SCT", "Lateromedial"),
    "D45L-PaMO": ("442597009", "SCT", "Dorsal 45 degree lateral-palmaromedial oblique"),
    "D45M-PaLO": ("442623008", "SCT", "Dorsal 45 degree medial-palmarolateral"),
}
_OPPOSITE = {"L": "M", "M": "L", "D": "PA", "PA": "D", "PR": "DI", "DI": "PR"}


@dataclass(frozen=True)
class Animal:
    """An invented animal."""

    name: str
    identifier: str
    owner: str
    species: str = "dog"
    breed: Coded | None = None
    sex: str = "F"
    neutered: bool = True
    age_months: int = 60
    weight_kg: float = 28.0


@dataclass(frozen=True)
class Visit:
    """What one study's headers say beside the animal and the images."""

    seed: str
    kind: Kind
    date: datetime.date
    accession: str
    description: str
    reason: str
    region: Coded
    body_part: str
    time: str = "101500"
    institution: str = "Invented Demo Clinic"


def uid(*seed: str) -> str:
    """A UID made from a UUID (PS3.5 B.2) that depends on the seed only."""
    digest = hashlib.sha256("/".join(seed).encode()).digest()[:16]
    return f"2.25.{uuid.UUID(bytes=digest, version=5).int}"


def item(code: Coded) -> Dataset:
    """A code sequence item."""
    made = Dataset()
    made.CodeValue, made.CodingSchemeDesignator, made.CodeMeaning = code
    return made


def orientation(view: Projection, quarter_turns: int = 0) -> list[str]:
    """PatientOrientation: where the image's right and bottom lie in the animal."""
    right, down, _ = view.axes()
    codes = [_direction(right), _direction(down)]
    for _ in range(quarter_turns % 4):
        # after a clockwise turn the right is what was on top, the bottom what was on the right
        codes = [_reversed(codes[1]), codes[0]]
    return codes


def _direction(axis: np.ndarray) -> str:
    lateral, dorsal, distal = (float(v) for v in axis)
    if abs(distal) > 0.7:
        return "DI" if distal > 0 else "PR"
    parts = [
        (abs(lateral), "L" if lateral > 0 else "M"),
        (abs(dorsal), "D" if dorsal > 0 else "PA"),
    ]
    parts.sort(key=lambda part: -round(part[0], 6))
    return "".join(code for size, code in parts if size > 0.3)


def _reversed(code: str) -> str:
    out, rest = "", code
    while rest:
        part = rest[:2] if rest[:2] in _OPPOSITE else rest[:1]
        out += _OPPOSITE[part]
        rest = rest[len(part) :]
    return out


def image_object(animal: Animal, visit: Visit, exposed: Exposed, number: int) -> Dataset:
    """One image of a visit as a complete DICOM object (file meta information included)."""
    ds = Dataset()
    ds.SpecificCharacterSet = "ISO_IR 192"
    _patient(ds, animal, visit)
    _study_and_series(ds, visit)
    _equipment_and_exposure(ds, visit, exposed)
    _image(ds, visit, exposed, number)
    (_cr if visit.kind == "CR" else _dx)(ds, exposed)
    meta = FileMetaDataset()
    meta.MediaStorageSOPClassUID = ds.SOPClassUID
    meta.MediaStorageSOPInstanceUID = ds.SOPInstanceUID
    meta.TransferSyntaxUID = ExplicitVRLittleEndian
    meta.ImplementationClassUID = UID(IMPLEMENTATION_UID)
    ds.file_meta = meta
    return ds


def _patient(ds: Dataset, animal: Animal, visit: Visit) -> None:
    ds.PatientName, ds.PatientID = animal.name, animal.identifier
    ds.TypeOfPatientID = "TEXT"
    months = visit.date.year * 12 + visit.date.month - 1 - animal.age_months
    born = datetime.date(months // 12, months % 12 + 1, min(visit.date.day, 28))
    ds.PatientBirthDate = born.strftime("%Y%m%d")
    ds.PatientSex = animal.sex
    ds.PatientAge = f"{animal.age_months:03d}M"
    ds.PatientWeight = f"{animal.weight_kg:g}"
    ds.PatientSpeciesCodeSequence = [item(SPECIES[animal.species])]
    ds.PatientSpeciesDescription = SPECIES[animal.species][2]
    ds.PatientBreedDescription = animal.breed[2] if animal.breed else ""
    ds.PatientBreedCodeSequence = [item(animal.breed)] if animal.breed else []
    ds.BreedRegistrationSequence = []
    ds.PatientSexNeutered = "ALTERED" if animal.neutered else "UNALTERED"
    ds.ResponsiblePerson, ds.ResponsiblePersonRole = animal.owner, "OWNER"
    ds.ResponsibleOrganization = ""
    ds.PatientComments = "INVENTED DEMO DATA"


def _study_and_series(ds: Dataset, visit: Visit) -> None:
    ds.StudyInstanceUID = uid(visit.seed, "study")
    ds.SeriesInstanceUID = uid(visit.seed, "series")
    ds.StudyDate = ds.SeriesDate = ds.AcquisitionDate = ds.ContentDate = visit.date.strftime(
        "%Y%m%d"
    )
    ds.StudyTime = ds.SeriesTime = ds.AcquisitionTime = ds.ContentTime = visit.time
    ds.StudyID = visit.accession[-6:]
    ds.AccessionNumber = visit.accession
    ds.ReferringPhysicianName = "Invented^Vera^^Dr"
    ds.StudyDescription = f"INVENTED DEMO DATA: {visit.description}"
    ds.SeriesDescription = visit.description
    ds.ReasonForVisit = visit.reason
    ds.Modality = visit.kind
    ds.SeriesNumber = 1
    ds.AnatomicalOrientationType = "QUADRUPED"
    request = Dataset()
    request.RequestedProcedureID = visit.accession
    request.RequestedProcedureDescription = visit.description
    request.ReasonForTheRequestedProcedure = visit.reason
    request.ScheduledProcedureStepID = "1"
    ds.RequestAttributesSequence = [request]


def _equipment_and_exposure(ds: Dataset, visit: Visit, exposed: Exposed) -> None:
    view, detector = exposed.plan.projection, exposed.plan.detector
    ds.Manufacturer = "Computed phantom"
    ds.ManufacturerModelName = "Analytic limb"
    ds.InstitutionName = visit.institution
    ds.StationName = "DEMO"
    ds.DeviceSerialNumber = "0"
    ds.SoftwareVersions = "1"
    ds.KVP = "60"
    ds.ExposureTime, ds.XRayTubeCurrent, ds.Exposure = 10, 250, 3
    ds.ExposureInuAs = 2500
    ds.DistanceSourceToDetector = f"{view.source_to_detector:g}"
    ds.FocalSpots = f"{detector.focal_spot:g}"
    index = 250 * detector.quanta / 1700
    ds.ExposureIndex, ds.TargetExposureIndex = f"{index:.0f}", "250"
    ds.DeviationIndex = f"{10 * np.log10(index / 250) + 0:.1f}"


def _image(ds: Dataset, visit: Visit, exposed: Exposed, number: int) -> None:
    plan, pixels = exposed.plan, exposed.pixels
    ds.SOPClassUID = SOP_CLASSES[visit.kind]
    ds.SOPInstanceUID = uid(visit.seed, "image", str(number))
    ds.InstanceNumber = number
    ds.AcquisitionNumber = number
    ds.ImageType = ["ORIGINAL", "PRIMARY"] if visit.kind == "CR" else ["ORIGINAL", "PRIMARY", ""]
    ds.PatientOrientation = orientation(plan.projection, plan.quarter_turns)
    ds.ImageLaterality = plan.side
    ds.AnatomicRegionSequence = [item(visit.region)]
    ds.BodyPartExamined = visit.body_part
    # there is no defined term for the obliques: only their code names them
    ds.ViewPosition = plan.name.upper() if len(plan.name) < 4 else ""
    code = item(VIEWS[plan.name])
    code.ViewModifierCodeSequence = []
    ds.ViewCodeSequence = [code] if visit.kind == "DX" else [item(VIEWS[plan.name])]
    ds.ImageComments = "INVENTED DEMO DATA, computed image"
    ds.BurnedInAnnotation = "NO"
    ds.SamplesPerPixel = 1
    ds.PhotometricInterpretation = plan.detector.photometric
    ds.Rows, ds.Columns = pixels.shape
    ds.BitsAllocated, ds.BitsStored = 16, plan.detector.bits
    ds.HighBit, ds.PixelRepresentation = plan.detector.bits - 1, 0
    spacing = f"{plan.projection.pixel:g}"
    ds.ImagerPixelSpacing = [spacing, spacing]
    low, high = window_of(exposed)
    ds.WindowCenter, ds.WindowWidth = f"{(low + high) / 2:.0f}", f"{high - low:.0f}"
    ds.LossyImageCompression = "00"
    ds.set_pixel_data(
        pixels, plan.detector.photometric, plan.detector.bits, generate_instance_uid=False
    )


def window_of(exposed: Exposed) -> tuple[float, float]:
    """Grey values that the display should span: from the open beam to dense bone."""
    detector = exposed.plan.detector
    deep = 2.0 ** (detector.bits - 12)
    low, high = (
        deep * (detector.open_field - 0.12 * detector.gain),
        deep * (detector.open_field + 2.25 * detector.gain),
    )
    if detector.photometric == "MONOCHROME1":
        return detector.largest - high, detector.largest - low
    return low, high


def _cr(ds: Dataset, _exposed: Exposed) -> None:
    ds.PlateType = ""
    ds.CassetteSize = "18CMX24CM"


def _dx(ds: Dataset, exposed: Exposed) -> None:
    inverse = exposed.plan.detector.photometric == "MONOCHROME1"
    view = exposed.plan.projection
    ds.PresentationIntentType = "FOR PRESENTATION"
    ds.FilterMaterial = "ALUMINUM"
    ds.DistanceSourceToPatient = f"{view.source_to_detector - view.object_to_detector:g}"
    ds.EstimatedRadiographicMagnificationFactor = f"{view.magnification:.4f}"
    ds.PixelIntensityRelationship = "LOG"
    ds.PixelIntensityRelationshipSign = 1 if inverse else -1
    ds.RescaleIntercept, ds.RescaleSlope, ds.RescaleType = "0", "1", "US"
    ds.PresentationLUTShape = "INVERSE" if inverse else "IDENTITY"
    ds.DetectorType = "SCINTILLATOR"
    ds.DetectorConfiguration = "AREA"
    ds.DetectorID = "DEMO"
    ds.PositionerType = "NONE"
    ds.AcquisitionContextSequence = []
    ds.AcquisitionDeviceProcessingDescription = (
        f"edge enhancement {exposed.plan.detector.sharpen:g}"
        if exposed.plan.detector.sharpen
        else "none"
    )
