"""Pictures of images for people and for programs that know no DICOM: PNG and JPEG."""

import io
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray
from PIL import Image
from pydicom.dataset import Dataset
from pydicom.multival import MultiValue
from pydicom.pixels.processing import apply_modality_lut, apply_voi_lut
from pydicom.pixels.utils import pixel_array

from dicom_service.errors import BadObject, Refused
from dicom_service.store import StoredInstance
from dicom_service.web.dicomweb.frames import Pixels
from dicom_service.web.problems import NotAcceptable

LARGEST_PIXELS = 120_000_000
"""Of one frame, before it is decoded: a small file can claim any size."""
THUMBNAIL = (256, 256)


class Picture(NamedTuple):
    """How a picture is wanted."""

    png: bool = False
    quality: int = 90
    box: tuple[int, int] | None = None
    """Largest width and height."""
    window: tuple[float, float] | None = None
    """Centre and width in place of those of the header."""

    @property
    def media(self) -> str:
        """Media type."""
        return "image/png" if self.png else "image/jpeg"


def render(row: StoredInstance, pixels: Pixels, number: int, picture: Picture) -> bytes:
    """One frame (from 1) as a picture, with the window of its header.

    Raises
    ------
    BadObject
        The pixels cannot be decoded.
    NotAcceptable
        The image is too large or of a kind that is not shown as a picture.
    """
    header = pixels.header
    size = int(header.get("Rows") or 0) * int(header.get("Columns") or 0)
    if not 0 < size <= LARGEST_PIXELS:
        raise NotAcceptable(f"An image of {size} pixels is not made into a picture.")
    try:
        array = pixel_array(row.path, index=number - 1)
    except Exception as error:
        raise BadObject(f"The pixels cannot be decoded: {error}.") from error
    if array.ndim == 3:
        shown = Image.fromarray(_to_8_bits(array, *_range(array)))
    else:
        shown = Image.fromarray(_grey(array, header, picture.window))
    if picture.box:
        shown.thumbnail(picture.box)
    out = io.BytesIO()
    shown.save(out, "PNG" if picture.png else "JPEG", quality=picture.quality)
    return out.getvalue()


def parse_viewport(text: str) -> tuple[int, int] | None:
    """`viewport=width,height` (PS3.18 8.3.5.1.3)."""
    if not text:
        return None
    parts = text.split(",")[:2]
    if len(parts) != 2 or not all(p.isascii() and p.isdigit() and 0 < len(p) < 6 for p in parts):
        raise Refused("viewport must be given as width,height in pixels.")
    return max(1, int(parts[0])), max(1, int(parts[1]))


def parse_window(text: str) -> tuple[float, float] | None:
    """`window=centre,width,linear` (PS3.18 8.3.5.1.4)."""
    if not text:
        return None
    try:
        centre, width = (float(part) for part in text.split(",")[:2])
    except ValueError:
        raise Refused("window must be given as centre,width,linear.") from None
    if not (np.isfinite(centre) and np.isfinite(width) and width >= 1):
        raise Refused("The width of the window must be at least 1.")
    return centre, width


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
