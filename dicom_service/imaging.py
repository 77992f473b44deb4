"""Pixels as grey pictures: windows, look-up tables, turning, what was drawn on them."""

import io
import os
from collections.abc import Sequence
from pathlib import Path
from typing import IO

import numpy as np
from numpy.typing import NDArray
from PIL import Image, ImageDraw
from pydicom import dcmread
from pydicom.dataset import Dataset
from pydicom.encaps import get_frame
from pydicom.multival import MultiValue
from pydicom.pixels.processing import apply_modality_lut, apply_voi_lut
from pydicom.pixels.utils import pixel_array

from dicom_service.codestream import size_of
from dicom_service.errors import BadObject

LARGEST_PIXELS = 120_000_000
"""Of one frame, before it is decoded: a small file can claim any size."""
_TABLES = ("ExtendedOffsetTable", "ExtendedOffsetTableLengths")
_ELEMENT_HEAD = 12
"""Bytes of the pixel data's tag, VR and length; compressed ones are explicit (PS3.5 A.4)."""
_LINE_COLOUR = (255, 196, 0)
Line = Sequence[tuple[float, float]]


class OtherSize(BadObject):
    """A compressed image is of another size than its header says; both in rows and columns."""

    def __init__(self, claimed: tuple[int, int], stated: tuple[int, int]) -> None:
        super().__init__(
            f"The compressed image is {claimed[1]} by {claimed[0]} pixels, and its header says "
            f"{stated[1]} by {stated[0]}: it is not decoded."
        )
        self.claimed, self.stated = claimed, stated


def can_be_shown(header: Dataset) -> bool:
    """Whether an object has pixels of a size that is decoded."""
    size = int(header.get("Rows") or 0) * int(header.get("Columns") or 0)
    return 0 < size <= LARGEST_PIXELS


def check_stream(source: Path | Dataset, header: Dataset, number: int = 1) -> None:
    """Refuse a compressed frame that would unfold to another size than the header says.

    Raises
    ------
    OtherSize
        It would.
    BadObject
        There is no such frame.
    """
    if not header.file_meta.TransferSyntaxUID.is_encapsulated:
        return
    frames = int(header.get("NumberOfFrames") or 1)
    try:
        if isinstance(source, Dataset):
            frame = _frame(source.PixelData, source, number, frames)
        else:
            with source.open("rb") as file:
                tables = dcmread(file, stop_before_pixels=True, specific_tags=list(_TABLES))
                file.seek(_ELEMENT_HEAD, os.SEEK_CUR)
                frame = _frame(file, tables, number, frames)
    except Exception as error:
        raise BadObject(f"The pixels cannot be found: {error}.") from error
    claimed = size_of(frame)
    stated = (int(header.get("Rows") or 0), int(header.get("Columns") or 0))
    if claimed is not None and claimed != stated:
        raise OtherSize(claimed, stated)


def check_streams(image: Dataset) -> None:
    """Refuse an object of which any frame would unfold to another size; see `check_stream`."""
    for number in range(1, int(image.get("NumberOfFrames") or 1) + 1):
        check_stream(image, image, number)
        if not image.file_meta.TransferSyntaxUID.is_encapsulated:
            return


def _frame(data: bytes | IO[bytes], tables: Dataset, number: int, frames: int) -> bytes:
    """The frame that decoding would take: by the extended table where there is one."""
    offsets = tuple(bytes(tables.get(name) or b"") for name in _TABLES)
    found: bytes = get_frame(
        data,
        number - 1,
        number_of_frames=frames,
        extended_offsets=(offsets[0], offsets[1]) if all(offsets) else None,
    )
    return found


def picture(
    source: Path | Dataset,
    header: Dataset,
    number: int = 1,
    window: tuple[float, float] | None = None,
) -> Image.Image:
    """One frame (from 1) as a picture, with the window of its header unless another is given.

    Raises
    ------
    BadObject
        The pixels cannot be decoded.
    """
    check_stream(source, header, number)
    try:
        array = pixel_array(source, index=number - 1)
    except Exception as error:
        raise BadObject(f"The pixels cannot be decoded: {error}.") from error
    if array.ndim == 3:
        return Image.fromarray(_to_8_bits(array, *_range(array)))
    return Image.fromarray(_grey(array, header, window))


def key_image(
    shown: Image.Image,
    *,
    lines: Sequence[Line] = (),
    rotation: int = 0,
    flip: bool = False,
    longest: int = 1100,
) -> bytes:
    """A picture for print as PNG: made smaller, drawn on, then hung.

    Parameters
    ----------
    lines
        Points (column, row) in pixels of the whole image, joined in order.
    rotation, flip
        The flip in image axes first, then the rotation clockwise, as in `ImageFacts`.
    longest
        Length of the longer edge in pixels at most.
    """
    scale = min(1.0, longest / max(shown.size))
    size = (max(1, round(shown.width * scale)), max(1, round(shown.height * scale)))
    made = shown.resize(size, Image.Resampling.LANCZOS) if scale < 1 else shown
    if lines:
        made = made.convert("RGB")
        pen = ImageDraw.Draw(made)
        width = max(1, round(max(size) / 220))
        for line in lines:
            points = [(column * scale, row * scale) for column, row in line]
            pen.line(points, fill=_LINE_COLOUR, width=width)
            for column, row in points:
                box = (column - 2 * width, row - 2 * width, column + 2 * width, row + 2 * width)
                pen.ellipse(box, outline=_LINE_COLOUR, width=max(1, width // 2))
    if flip:
        made = made.transpose(Image.Transpose.FLIP_LEFT_RIGHT)
    if rotation:
        made = made.rotate(-rotation, expand=True)
    out = io.BytesIO()
    made.save(out, "PNG", optimize=True)
    return out.getvalue()


def _grey(
    array: NDArray[np.generic], header: Dataset, window: tuple[float, float] | None
) -> NDArray[np.uint8]:
    """Grey values by the wanted window, the header's look-up table or window, or the whole range.

    A window counts as linear, whatever its function: this is a picture to find an image by.
    """
    values = apply_modality_lut(array, header)
    if window is None and "VOILUTSequence" in header and header.VOILUTSequence:
        bits = int(header.VOILUTSequence[0].LUTDescriptor[2])
        low, high = 0.0, float((1 << bits) - 1)
        values = apply_voi_lut(values, header)
    else:
        window = window or _stated_window(header)
        low, high = _bounds(*window) if window else _range(values)
    grey = _to_8_bits(values, low, high)
    return ~grey if header.get("PhotometricInterpretation") == "MONOCHROME1" else grey


def _stated_window(header: Dataset) -> tuple[float, float] | None:
    """The first window of the header."""
    if "WindowCenter" not in header or "WindowWidth" not in header:
        return None
    centre, width = (
        value[0] if isinstance(value, MultiValue) else value
        for value in (header.WindowCenter, header.WindowWidth)
    )
    return (float(centre), float(width)) if centre is not None and width else None


def _bounds(centre: float, width: float) -> tuple[float, float]:
    """Where a linear window begins and ends (PS3.3 C.11.2.1.2.1)."""
    return centre - 0.5 - (width - 1) / 2, centre - 0.5 + (width - 1) / 2


def _range(values: NDArray[np.generic]) -> tuple[float, float]:
    return float(values.min()), float(values.max())


def _to_8_bits(values: NDArray[np.generic], low: float, high: float) -> NDArray[np.uint8]:
    scale = 255.0 / (high - low) if high > low else 0.0
    scaled = (values.astype(np.float32) - low) * scale
    grey: NDArray[np.uint8] = np.clip(np.rint(scaled), 0, 255).astype(np.uint8)
    return grey
