"""Logs without patients: above DEBUG an unforeseen error shows where it was, not what it held.

The text of an error from a library may hold the value that it stumbled over, such as a name.
Our own errors are sentences made for people and logs; they are shown.
"""

import logging
import traceback
from types import TracebackType

from dicom_service.errors import SesamoidError

FORMAT = "%(asctime)s %(levelname)s %(name)s: %(message)s"
_Info = tuple[type[BaseException], BaseException, TracebackType | None] | tuple[None, None, None]


class QuietFormatter(logging.Formatter):
    """Writes errors as their kind and place."""

    def format(self, record: logging.LogRecord) -> str:
        """The record's line; what another formatter made of its error is not taken over."""
        record.exc_text = None
        return super().format(record)

    def formatException(self, ei: _Info) -> str:  # noqa: N802 - the library's name
        """The stack and the kind of the error."""
        kind, error, place = ei
        if kind is None:
            return ""
        said = str(error) if isinstance(error, SesamoidError) else "(text only at level DEBUG)"
        frames = "".join(traceback.format_tb(place))
        return f"Traceback (most recent call last):\n{frames}{kind.__qualname__}: {said}"


def set_up(level: str) -> None:
    """Log to standard error at this level."""
    handler = logging.StreamHandler()
    formatter = logging.Formatter if level == "DEBUG" else QuietFormatter
    handler.setFormatter(formatter(FORMAT))
    logging.basicConfig(level=level, handlers=[handler])
