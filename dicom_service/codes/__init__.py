"""Coded concepts: one registry of every code that we write, read from the data files here.

`get("finding")` returns the code with that keyword. Standard codes keep the meaning that the
standard prints; our own are in the private scheme `SCHEME`.
"""

from dicom_service.codes.registry import (
    MAPPING_RESOURCE,
    SCHEME,
    SCHEME_UID,
    Code,
    CodeDataError,
    all_codes,
    get,
)

__all__ = [
    "MAPPING_RESOURCE",
    "SCHEME",
    "SCHEME_UID",
    "Code",
    "CodeDataError",
    "all_codes",
    "get",
]
