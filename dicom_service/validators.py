"""Outside validators of DICOM files, where they are installed: dciodvfy and DCMTK's dsrdump."""

import re
import shutil
import subprocess  # run only on files that we wrote, with fixed arguments
from pathlib import Path

SECONDS = 60
"""Longest time for one program and file."""

_PLACES = ("/usr/bin", "/usr/local/bin", "/opt/homebrew/bin")
"""Looked at before PATH, since other packages install programs of the same names."""

_HARMLESS = re.compile(r"^Warning|^\s*$|VR checker does not support|^W:")


def available() -> tuple[str, ...]:
    """Names of the validators that are installed here."""
    return tuple(name for name in ("dciodvfy", "dsrdump") if _find(name))


def outside_problems(path: Path) -> list[str]:
    """What the installed validators call an error in a file; [] is good.

    Parameters
    ----------
    path
        A DICOM file; dsrdump looks only at structured reports, dciodvfy at all.
    """
    found = []
    dciodvfy, dsrdump = _find("dciodvfy"), _find("dsrdump")
    if dciodvfy:
        _, said = _run(dciodvfy, str(path))
        found += [f"dciodvfy: {line}" for line in said if line.startswith("Error")]
    if dsrdump:
        code, said = _run(dsrdump, "-q", str(path))
        if code:
            first = next((line for line in said if not _HARMLESS.search(line)), f"status {code}")
            found.append(f"dsrdump: {first}")
    return found


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
