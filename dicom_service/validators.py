"""Outside validators of DICOM files, where they are installed: dciodvfy and two of DCMTK's."""

import re
import shutil
import subprocess  # run only on files that we wrote, with fixed arguments
from pathlib import Path

import pydicom
from pydicom.errors import InvalidDicomError

SECONDS = 60
"""Longest time for one program and file."""

_PLACES = ("/usr/bin", "/usr/local/bin", "/opt/homebrew/bin")
"""Looked at before PATH, since other packages install programs of the same names."""

_HARMLESS = re.compile(r"^Warning|^\s*$|VR checker does not support|^W:")

_PRESENTATION_STATES = "1.2.840.10008.5.1.4.1.1.11."
_NO_REPORTS = (_PRESENTATION_STATES, "1.2.840.10008.5.1.4.1.1.104.")
"""SOP classes that dsrdump does not know; of any other it must be able to read the tree."""


def available() -> tuple[str, ...]:
    """Names of the validators that are installed here."""
    return tuple(name for name in ("dciodvfy", "dsrdump", "dcmpschk") if _find(name))


def outside_problems(path: Path) -> list[str]:
    """What the installed validators call an error in a file; [] is good.

    Parameters
    ----------
    path
        A DICOM file; dsrdump looks only at structured reports, dcmpschk only at presentation
        states, dciodvfy at all.
    """
    found = []
    kind = _sop_class(path)
    dciodvfy, dsrdump = _find("dciodvfy"), _find("dsrdump")
    if dciodvfy:
        _, said = _run(dciodvfy, str(path))
        found += [f"dciodvfy: {line}" for line in said if line.startswith("Error")]
    if dsrdump and not kind.startswith(_NO_REPORTS):
        code, said = _run(dsrdump, "-q", str(path))
        if code:
            first = next((line for line in said if not _HARMLESS.search(line)), f"status {code}")
            found.append(f"dsrdump: {first}")
    dcmpschk = _find("dcmpschk")
    if dcmpschk and kind.startswith(_PRESENTATION_STATES):
        _, said = _run(dcmpschk, str(path))
        found += [f"dcmpschk: {line}" for line in said if re.match("[EFW]: Error", line)]
    return found


def _sop_class(path: Path) -> str:
    try:
        header = pydicom.dcmread(path, specific_tags=["SOPClassUID"], stop_before_pixels=True)
    except (InvalidDicomError, OSError):
        return ""
    return str(header.get("SOPClassUID", ""))


def _find(name: str) -> str | None:
    for place in _PLACES:
        if Path(place, name).is_file():
            return str(Path(place, name))
    return shutil.which(name)


def _run(*command: str) -> tuple[int, list[str]]:
    try:
        done = subprocess.run(  # noqa: S603 -- a fixed program and a file that we wrote
            command, capture_output=True, timeout=SECONDS, check=False
        )
    except subprocess.TimeoutExpired:
        return 1, [f"Error - no answer within {SECONDS} s"]
    said = (done.stderr + b"\n" + done.stdout).decode("utf-8", "replace")
    return done.returncode, said.splitlines()
