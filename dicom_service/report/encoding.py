"""A document as the bytes of its file."""

import io

from pydicom.dataset import Dataset


def file_of(document: Dataset) -> bytes:
    """`document` as a DICOM file (PS3.10), with all that such a file must have."""
    buffer = io.BytesIO()
    document.save_as(buffer, enforce_file_format=True)
    return buffer.getvalue()
