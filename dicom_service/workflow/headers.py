"""Headers of stored objects: everything but the pixels."""

from collections.abc import Sequence
from pathlib import Path

import pydicom
from pydicom.dataset import Dataset

PIXEL_DATA = 0x7FE00010


def read_header(path: Path) -> Dataset:
    """Read a DICOM file up to its pixel data; whether it has pixels is kept.

    The returned header has an empty Pixel Data element where the file has one, so that "no
    pixel data" can be told without reading 15 MB.
    """
    header = pydicom.dcmread(path, stop_before_pixels=True)
    return header


def evidence_of(paths: Sequence[Path]) -> list[Dataset]:
    """Headers of several files, in the order given."""
    return [read_header(path) for path in paths]
