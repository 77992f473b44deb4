"""A DICOM file as the picture that is measured; what is wrong with it as a sentence."""

from itertools import pairwise
from pathlib import Path

import numpy as np
import pydicom
from numpy.typing import NDArray
from pydicom import Dataset
from pydicom.datadict import dictionary_description
from pydicom.encaps import get_frame
from pydicom.errors import InvalidDicomError
from pydicom.multival import MultiValue
from pydicom.pixels.decoders.base import get_decoder
from pydicom.uid import (
    HTJ2K,
    JPEG2000,
    JPEG2000MC,
    UID,
    JPEGBaseline8Bit,
    JPEGExtended12Bit,
    JPEGLSNearLossless,
    RLELossless,
)

from dicom_service.errors import BadObject
from dicom_service.imaging import OtherSize, check_stream
from dicom_service.intake.orientation import across_limb, parse_orientation
from dicom_service.intake.spacing import Measured as MeasuredSpacing
from dicom_service.intake.spacing import read_spacing
from dicom_service.measure import NotMeasurable, Picture, Said, picture, say
from dicom_service.measure.raster import MOST_PIXELS

_LOSSY = {JPEGBaseline8Bit, JPEGExtended12Bit}
_PERHAPS_LOSSY = {JPEGLSNearLossless, JPEG2000, JPEG2000MC, HTJ2K}
"""These lose something or nothing; the header should say which."""
_PIXELS = ("PixelData", "FloatPixelData", "DoubleFloatPixelData")
_NEEDED = ("Rows", "Columns", "SamplesPerPixel", "PhotometricInterpretation", "BitsAllocated")


def load(path: Path) -> tuple[Picture, tuple[Said, ...]]:
    """The picture of a file, and what is doubtful about its pixels.

    Raises
    ------
    BadObject
        The file cannot be opened.
    NotMeasurable
        No DICOM file, no image, or one that cannot be measured.
    """
    data = _opened(path)
    pixels = _decoded(data)
    spacing = read_spacing(data)
    doubts = (*_doubts_of(spacing), *((say("picture.lossy"),) if _is_lossy(data) else ()))
    inverted = data.get("PhotometricInterpretation") == "MONOCHROME1"
    if np.issubdtype(pixels.dtype, np.signedinteger):
        pixels = pixels.astype(np.int32)
    return picture(pixels, spacing.spacing, inverted=inverted), doubts


def across_limb_in(path: Path) -> tuple[str, str]:
    """What lies to the right and below in a limb's image, as its header says; "" unknown."""
    header = pydicom.dcmread(path, specific_tags=list(_SAYS_WHERE), stop_before_pixels=True)
    values = header.get("PatientOrientation")
    if not isinstance(values, MultiValue):
        return "", ""
    stated = str(header.get("AnatomicalOrientationType") or "").upper()
    # without a statement the letters of a quadruped come first: only animals are read here
    both = parse_orientation(tuple(str(v) for v in values), stated, animal=True)
    return across_limb(both)


_SAYS_WHERE = ("PatientOrientation", "AnatomicalOrientationType")


def _opened(path: Path) -> Dataset:
    try:
        return pydicom.dcmread(path)
    except InvalidDicomError as error:
        raise NotMeasurable(say("picture.not_dicom")) from error
    except OSError as error:
        why = error.strerror or "it is damaged"
        raise BadObject(f"{path.name} cannot be read: {why}.") from error
    except Exception as error:  # what a damaged header makes the parser raise
        raise NotMeasurable(say("picture.damaged")) from error


def _decoded(data: Dataset) -> NDArray[np.generic]:
    try:
        _check_header(data)
        check_stream(data, data)
        return data.pixel_array
    except NotMeasurable:
        raise
    except OtherSize as error:
        (tall, wide), (rows, columns) = error.claimed, error.stated
        raise NotMeasurable(
            say("picture.other_size", wide=wide, tall=tall, columns=columns, rows=rows)
        ) from error
    except Exception as error:  # decoders raise what they like
        raise NotMeasurable(say("picture.damaged")) from error


def _check_header(data: Dataset) -> None:
    """Refuse by the header what decoders would refuse in their own words, or try for long."""
    if not any(keyword in data for keyword in _PIXELS):
        raise NotMeasurable(say("picture.no_pixels"))
    for keyword in _NEEDED:
        if data.get(keyword) in (None, ""):
            raise NotMeasurable(say("picture.lacks", what=dictionary_description(keyword)))
    if "TransferSyntaxUID" not in data.file_meta:
        raise NotMeasurable(say("picture.lacks", what="Transfer Syntax UID"))
    rows, columns, colours = int(data.Rows), int(data.Columns), str(data.PhotometricInterpretation)
    if int(data.SamplesPerPixel) != 1 or not colours.startswith("MONOCHROME"):
        raise NotMeasurable(say("picture.colour", colours=colours))
    if (frames := int(data.get("NumberOfFrames") or 1)) != 1:
        raise NotMeasurable(say("picture.frames", frames=frames))
    if rows * columns > MOST_PIXELS:
        raise NotMeasurable(say("picture.large", columns=columns, rows=rows))
    _check_bytes(data, rows, columns)


def _check_bytes(data: Dataset, rows: int, columns: int) -> None:
    syntax = UID(data.file_meta.TransferSyntaxUID)
    try:
        known = not syntax.is_encapsulated or get_decoder(syntax).is_available
    except (NotImplementedError, ValueError):  # a compression, or a UID, that nobody here knows
        known = False
    if not known:
        raise NotMeasurable(say("picture.syntax", syntax=syntax.name))
    needed = rows * columns * int(data.BitsAllocated) // 8
    if "PixelData" not in data or (syntax.is_encapsulated and syntax != RLELossless):
        return
    there = _unfolded(data) if syntax == RLELossless else len(data.PixelData or b"")
    if there < needed and syntax != RLELossless:
        raise NotMeasurable(say("picture.short", there=there, needed=needed))
    # a byte may pad the pixels, and each plane of bytes that was run-length encoded
    if not needed <= there <= needed + int(data.BitsAllocated) // 8:
        raise NotMeasurable(
            say("picture.long", there=there, needed=needed, rows=rows, columns=columns)
        )


def _unfolded(data: Dataset) -> int:
    """How many bytes a run-length encoded frame has when it is decoded (PS3.5 G.3).

    Decoders cut off what is too much, and so measure a part as if it were the image.
    """
    frame = get_frame(data.PixelData, 0, number_of_frames=1)
    # the header has room for fifteen planes; a damaged one may claim billions
    count = min(int.from_bytes(frame[:4], "little"), 16)
    starts = [int.from_bytes(frame[4 * n : 4 * n + 4], "little") for n in range(1, count + 1)]
    if not 1 <= count <= 15 or starts != sorted(starts) or starts[0] < 64:
        raise NotMeasurable(say("picture.damaged"))
    total = 0
    for at, end in pairwise((*starts, len(frame))):
        # a last byte alone only makes the length even
        while at + 1 < end:
            head = frame[at]
            if head > 128:
                total, at = total + 257 - head, at + 2
            elif head < 128:
                total, at = total + head + 1, at + head + 2
            else:
                at += 1
    return total


def _doubts_of(spacing: MeasuredSpacing) -> tuple[Said, ...]:
    """What is wrong with the spacing, for the numbers that hang on it."""
    doubts = []
    for problem in spacing.problems:
        if problem.kind == "ratio":
            raise NotMeasurable(say("picture.ratio", ratio=problem.values[0]))
        if problem.kind == "contradiction":
            body, detector = problem.values
            doubts.append(say("picture.contradiction", body=body, detector=detector))
        if problem.kind == "unusable" and spacing.spacing.kind == "none":
            doubts.append(say("picture.unusable"))
    return tuple(doubts)


def _is_lossy(data: Dataset) -> bool:
    """Whether pixels may not be what the detector saw."""
    stated = data.get("LossyImageCompression")
    syntax = data.file_meta.TransferSyntaxUID
    return stated == "01" or syntax in _LOSSY or (syntax in _PERHAPS_LOSSY and stated != "00")
