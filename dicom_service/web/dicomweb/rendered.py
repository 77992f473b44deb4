"""Pictures of images for people and for programs that know no DICOM: PNG and JPEG."""

import io
from typing import NamedTuple

import numpy as np

from dicom_service import imaging
from dicom_service.errors import Refused
from dicom_service.store import StoredInstance
from dicom_service.web.dicomweb.frames import Pixels
from dicom_service.web.problems import NotAcceptable

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
    if not imaging.can_be_shown(header):
        size = int(header.get("Rows") or 0) * int(header.get("Columns") or 0)
        raise NotAcceptable(f"An image of {size} pixels is not made into a picture.")
    shown = imaging.picture(row.path, header, number, picture.window)
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
