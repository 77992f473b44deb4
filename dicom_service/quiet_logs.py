"""Logs without patients: above DEBUG an unforeseen error shows where it was, not what it held.

The text of an error from a library may hold the value that it stumbled over, such as a name.
Our own errors are sentences made for people and logs; they are shown, without what a library
said in them. Warnings of libraries, and errors that nobody caught, go the same way.
"""

import json
import logging
import sys
import threading
import traceback
from datetime import UTC, datetime
from types import TracebackType
from typing import Any

from dicom_service.errors import SesamoidError

log = logging.getLogger(__name__)

HIDDEN = "(text only at level DEBUG)"
_TALKATIVE = ("pydicom", "py.warnings")
"""Loggers of libraries that name the value they warn of."""
_ENOUGH = 12
"""So many characters of a library's text are its beginning in our sentence, which may cut it."""
FORMAT = "%(asctime)s %(levelname)s %(name)s: %(message)s"
_Info = tuple[type[BaseException], BaseException, TracebackType | None] | tuple[None, None, None]


def without_values(error: BaseException | None) -> str:
    """What an error says, but for what a library said of the values that it read."""
    if not isinstance(error, SesamoidError):
        return HIDDEN
    said, cause = str(error), error.__cause__
    while cause is not None:
        if str(cause) and not isinstance(cause, SesamoidError | OSError):
            before, found, _ = said.partition(str(cause)[:_ENOUGH])
            said = before + HIDDEN if found else said
        cause = cause.__cause__
    return said


def all_is_said() -> bool:
    """Whether the log is at level DEBUG, where it may name patients."""
    return logging.getLogger().isEnabledFor(logging.DEBUG)


def said_in_log(error: BaseException) -> str:
    """What a line of the log may say of an error: all of it at level DEBUG only."""
    if all_is_said():
        return str(error)
    if isinstance(error, SesamoidError):
        return without_values(error)
    return f"{type(error).__name__} {HIDDEN}"


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
        said = without_values(error)
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
    logging.captureWarnings(True)
    for name in _TALKATIVE:
        logging.getLogger(name).setLevel(logging.NOTSET if level == "DEBUG" else logging.CRITICAL)
    threading.excepthook = _of_thread
    sys.unraisablehook = _unraisable


def _of_thread(ended: threading.ExceptHookArgs) -> None:
    name = ended.thread.name if ended.thread else "?"
    info: Any = (ended.exc_type, ended.exc_value, ended.exc_traceback)
    log.critical("the thread %s has ended", name, exc_info=info)


def _unraisable(found: "sys.UnraisableHookArgs") -> None:
    info: Any = (found.exc_type, found.exc_value, found.exc_traceback)
    log.error("an error could not be passed on", exc_info=info)
