"""Pixel spacing by the ladder of PS3.3 10.7.1, and exposure, with what is wrong about them."""

import math
from typing import Literal, NamedTuple

from pydicom import Dataset

from dicom_service.intake.model import Exposure, Spacing
from dicom_service.intake.values import number, numbers, text

LEAST_MM, MOST_MM = 0.005, 5.0
"""Spacings beyond these are no radiograph's (usual detectors: 0.1 to 0.2 mm)."""
_EQUAL = 1e-6
_NEAR = 0.98
"""Least magnification that is none: rounding, or a body on the detector."""
MOST_MAGNIFIED = 3.0
"""An Estimated Radiographic Magnification Factor beyond this is no limb radiograph's."""


Kind = Literal["not_corrected", "unusable", "contradiction", "ratio", "factor", "not_square"]


class Problem(NamedTuple):
    """What did not fit, as a sentence that does not name the image; `values` are what was read."""

    kind: Kind
    sentence: str
    values: tuple[float, ...] = ()


class Measured(NamedTuple):
    """A spacing, and what did not fit."""

    spacing: Spacing
    problems: tuple[Problem, ...] = ()


def read_spacing(header: Dataset) -> Measured:
    """The best spacing that the header states.

    FIDUCIAL and GEOMETRY are believed unless Pixel Spacing equals Imager Pixel Spacing, which
    means that nothing was corrected. Where it is larger than that, or smaller than any limb is
    magnified, one of the two is wrong and neither is used. A Pixel Spacing of unknown making stays
    "unknown". The spacing at the detector becomes "geometry" when the header states the
    magnification, as factor (0018,1114) or by the distances source-detector and source-patient
    (PS3.3 C.8.11.5): viewers apply it, and one screen must not show two numbers for one line.
    """
    problems: list[Problem] = []
    pixel = _pair(header, "PixelSpacing", problems)
    imager = _pair(header, "ImagerPixelSpacing", problems)
    scanned = _pair(header, "NominalScannedPixelSpacing", problems)
    stated = text(header, "PixelSpacingCalibrationType").upper()
    if pixel is None:
        spacing = _as("detector", imager) if imager else _as("unknown", scanned)
    elif imager and _same(pixel, imager):
        if stated in {"FIDUCIAL", "GEOMETRY"}:
            sentence = (
                f"calibration {stated} is stated, but the spacing is that of the detector, so "
                "nothing was corrected; calibrate again"
            )
            problems.append(Problem("not_corrected", sentence))
        spacing = _as("detector", imager)
    elif imager and not _can_be(pixel, imager):
        spacing = Spacing()
        problems.append(_contradiction(pixel, imager))
    elif stated == "FIDUCIAL":
        spacing = _as("fiducial", pixel)
    elif stated == "GEOMETRY":
        spacing = _as("geometry", pixel)
    else:
        spacing = _as("unknown", pixel)
    if spacing.kind == "detector":
        spacing = _demagnified(spacing, header, problems)
    if spacing.kind != "none" and not math.isclose(spacing.row_mm, spacing.column_mm, rel_tol=1e-3):
        sentence = (
            "pixels are not square, so angles and ratios need the spacing too; check the scanner"
        )
        problems.append(Problem("not_square", sentence))
    problems += _ratio(header, spacing)
    return Measured(spacing, tuple(problems))


def _can_be(pixel: tuple[float, float], imager: tuple[float, float]) -> bool:
    """Whether a body between source and detector can be shown so much larger than it is."""
    return all(_NEAR <= i / p <= MOST_MAGNIFIED for p, i in zip(pixel, imager, strict=True))


def _contradiction(pixel: tuple[float, float], imager: tuple[float, float]) -> Problem:
    sentence = (
        f"Pixel Spacing is {pixel[0]:g} mm and Imager Pixel Spacing {imager[0]:g} mm, which no "
        "exposure of a limb gives, so neither is used; correct the sending system, or measure a "
        "ball or ruler"
    )
    return Problem("contradiction", sentence, (pixel[0], imager[0]))


def _ratio(header: Dataset, spacing: Spacing) -> list[Problem]:
    """A Pixel Aspect Ratio (height, width) that the spacing, or its absence, contradicts."""
    stated = numbers(header, "PixelAspectRatio")
    if stated is None or len(stated) != 2 or not all(math.isfinite(v) and v > 0 for v in stated):
        return []
    ratio = stated[0] / stated[1]
    square = spacing.kind == "none"
    shape = 1.0 if square else spacing.row_mm / spacing.column_mm
    if math.isclose(ratio, shape, rel_tol=0.01):
        return []
    sentence = (
        f"Pixel Aspect Ratio says that pixels are {ratio:g} times as high as wide, which "
        f"{'no spacing says' if square else 'the spacing contradicts'}, so angles and lengths can "
        "be wrong; correct the sending system"
    )
    return [Problem("ratio", sentence, (ratio,))]


def _demagnified(spacing: Spacing, header: Dataset, problems: list[Problem]) -> Spacing:
    factor = number(header, "EstimatedRadiographicMagnificationFactor")
    detector = _positive(header, "DistanceSourceToDetector")
    patient = _positive(header, "DistanceSourceToPatient")
    if factor is None and detector and patient:
        factor = detector / patient
    if factor is None or factor == 1:
        return spacing
    if not 1 < factor <= MOST_MAGNIFIED:
        sentence = (
            f"the magnification factor {factor:g} is none that a limb can have, and is not used; "
            "correct the sending system"
        )
        problems.append(Problem("factor", sentence, (factor,)))
        return spacing
    return _as("geometry", (spacing.row_mm / factor, spacing.column_mm / factor))


def _as(kind: str, pair: tuple[float, float] | None) -> Spacing:
    if pair is None:
        return Spacing()
    return Spacing.model_validate({"kind": kind, "row_mm": pair[0], "column_mm": pair[1]})


def _same(one: tuple[float, float], other: tuple[float, float]) -> bool:
    return all(math.isclose(a, b, rel_tol=_EQUAL) for a, b in zip(one, other, strict=True))


def _pair(header: Dataset, keyword: str, problems: list[Problem]) -> tuple[float, float] | None:
    """Two believable numbers, or None; nonsense is told."""
    values = numbers(header, keyword)
    if not values:
        return None
    if len(values) == 2 and all(LEAST_MM <= v <= MOST_MM for v in values):
        return values[0], values[1]
    sentence = (
        f"{keyword} is '{text(header, keyword)[:40]}', which is no spacing, and is not used; "
        "correct the sending system"
    )
    problems.append(Problem("unusable", sentence))
    return None


def read_exposure(header: Dataset) -> Exposure:
    """Exposure as stated; the deviation index is computed when only it is missing.

    DI = 10 log10(EI / target), IEC 62494-1. mAs from Exposure in µAs when that is given (it is
    finer), else from Exposure, else from tube current × time.
    """
    index = _positive(header, "ExposureIndex")
    target = _positive(header, "TargetExposureIndex")
    deviation = number(header, "DeviationIndex")
    if deviation is None and index and target:
        deviation = round(10 * math.log10(index / target), 2)
    micro = _positive(header, "ExposureInuAs")
    mas = micro / 1000 if micro else _positive(header, "Exposure")
    current, time = _positive(header, "XRayTubeCurrent"), _positive(header, "ExposureTime")
    if mas is None and current and time:
        mas = current * time / 1000
    return Exposure(
        index=index, target=target, deviation=deviation, kvp=_positive(header, "KVP"), mas=mas
    )


def _positive(header: Dataset, keyword: str) -> float | None:
    found = number(header, keyword)
    return found if found is not None and found > 0 else None
