"""Logs without patients: above DEBUG an unforeseen error shows where it was, not what it held.

The text of an error from a library may hold the value that it stumbled over, such as a name.
Our own errors are sentences made for people and logs; they are shown.
"""

import json
import logging
import traceback
from datetime import UTC, datetime
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


class JsonFormatter(logging.Formatter):
    """Writes each record as one JSON object on one line; errors as `errors` writes them."""

    def __init__(self, errors: logging.Formatter) -> None:
        super().__init__()
        self._errors = errors

    def format(self, record: logging.LogRecord) -> str:
        """The record's line."""
        said = {
            "time": datetime.fromtimestamp(record.created, UTC).isoformat(timespec="milliseconds"),
            "level": record.levelname,
            "logger": record.name,
            "message": record.getMessage(),
        }
        if record.exc_info:
            said["error"] = self._errors.formatException(record.exc_info)
        return json.dumps(said)


def set_up(level: str, form: str) -> None:
    """Log to standard error at this level, as lines of text or of JSON."""
    handler = logging.StreamHandler()
    plain = logging.Formatter(FORMAT) if level == "DEBUG" else QuietFormatter(FORMAT)
    handler.setFormatter(JsonFormatter(plain) if form == "json" else plain)
    logging.basicConfig(level=level, handlers=[handler])
