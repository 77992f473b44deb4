"""UIDs in addresses: refused before anything is looked up with them."""

import re
from collections.abc import Mapping
from typing import Any

from dicom_service.errors import Refused

_UID = re.compile(r"[0-9]+(\.[0-9]+)*", re.ASCII)
_NAMES = ("study", "series", "instance")


def check_uid(text: str) -> str:
    """The UID itself.

    Raises
    ------
    Refused
        It is none (PS3.5 section 9: digits and dots, at most 64).
    """
    if len(text) > 64 or not _UID.fullmatch(text):
        raise Refused("The address has no valid UID: digits and dots, at most 64 characters.")
    return text


def check_address(_endpoint: str | None, values: Mapping[str, Any] | None) -> None:
    """Check every UID in the variable parts of an address (for `url_value_preprocessor`)."""
    for name in _NAMES:
        if values and name in values:
            check_uid(values[name])
