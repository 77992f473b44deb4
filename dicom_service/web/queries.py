"""Numbers in the query of an address, and answers that a caller may have already."""

import hashlib

from flask import Response, request

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


def unless_known(answer: Response) -> Response:
    """304 without a body when the caller has this very answer already."""
    answer.set_etag(hashlib.sha256(answer.get_data()).hexdigest()[:32])
    answer.headers["Cache-Control"] = "private, no-cache"
    answer.make_conditional(request)
    return answer
