"""Numbers in the query of an address."""

from flask import request

from dicom_service.errors import Refused


def number(name: str, default: int, largest: int) -> int:
    """The whole number given as `name`, at most `largest`.

    Raises
    ------
    Refused
        It is none.
    """
    text = request.args.get(name, "")
    if not text:
        return default
    if not (text.isascii() and text.isdigit() and len(text) < 12):
        raise Refused(f"{name}={text[:40]} is not a whole number.")
    return min(int(text), largest)
