"""Logs above DEBUG say where and what kind of trouble there was, not what a patient is called."""

import logging
import subprocess
import sys

import pytest

from dicom_service.errors import BadObject, PeerAway
from dicom_service.node.services import plain, store_reason, without_comment
from dicom_service.quiet_logs import HIDDEN, said_in_log

NAME = "Zwiebelfisch^Quastel"


def raised(error, cause):
    try:
        raise error from cause
    except type(error) as found:
        return found


def test_what_a_library_says_of_a_value_is_left_out_of_our_sentence():
    cause = ValueError(f"could not convert {NAME}, which is a name and goes on for long")
    error = raised(BadObject(f"The pixels cannot be found: {plain(cause, 40)}."), cause)
    assert said_in_log(error) == f"The pixels cannot be found: {HIDDEN}"
    assert said_in_log(cause) == f"ValueError {HIDDEN}"


def test_what_the_system_says_stays():
    cause = OSError(111, "Connection refused")
    assert said_in_log(raised(PeerAway(f"It is away: {cause}."), cause)).endswith("refused.")


def test_at_debug_level_all_is_said(monkeypatch):
    monkeypatch.setattr(logging.getLogger(), "level", logging.DEBUG)
    logging.getLogger().manager._clear_cache()
    assert said_in_log(ValueError(NAME)) == NAME
    monkeypatch.undo()
    logging.getLogger().manager._clear_cache()


def test_a_peer_s_own_words_are_on_the_screen_and_not_in_the_log():
    reason = f"archive: {store_reason(0xA701, f'no patient {NAME} (f)')}."
    assert NAME in reason
    assert without_comment(reason) == "archive: out of resources (status 0xA701)."


CAREFUL = """
import threading, warnings
from dicom_service import quiet_logs
quiet_logs.set_up({level!r}, {form!r})
import logging
def fail():
    raise ValueError({name!r})
class Thing:
    def __del__(self):
        fail()
thread = threading.Thread(target=fail, name="worker")
thread.start()
thread.join()
warnings.warn({name!r})
logging.getLogger("pydicom").warning({name!r})
Thing()
"""


@pytest.mark.parametrize("form", ["text", "json"])
@pytest.mark.parametrize(("level", "shown"), [("INFO", False), ("DEBUG", True)])
def test_what_nobody_caught_and_what_libraries_warn_of_names_nobody(level, shown, form):
    program = CAREFUL.format(level=level, form=form, name=NAME)
    done = subprocess.run(
        [sys.executable, "-c", program], capture_output=True, text=True, timeout=60, check=True
    )
    said = done.stdout + done.stderr
    assert "the thread worker has ended" in said
    assert "ValueError" in said
    assert (NAME in said) is shown
