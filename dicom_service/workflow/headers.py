"""Headers of stored objects: everything but the pixels."""

from pathlib import Path

import pydicom
from pydicom.dataset import Dataset

_PIXEL_TAGS = (b"\xe0\x7f\x10\x00", b"\x7f\xe0\x00\x10")
"""Pixel Data (7FE0,0010) as a file has it, little and big endian."""


def read_header(path: Path) -> Dataset:
    """Read a DICOM file up to its pixel data, without reading those.

    A file that has no pixel data comes back without Rows and Columns, whatever it says of
    them: this is how the intake tells an image that cannot be shown.
    """
    with path.open("rb") as file:
        header = pydicom.dcmread(file, stop_before_pixels=True)
        if file.read(4) not in _PIXEL_TAGS:
            for keyword in ("Rows", "Columns"):
                header.pop(keyword, None)
        return header
