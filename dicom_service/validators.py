"""Outside validators of DICOM files, where they are installed.

dciodvfy and two of DCMTK's, dsrdump and dcmpschk, look at every document before it leaves;
DicomSRValidator, which starts a Java machine for each file, only at the files of `sesamoid check`.
"""

import re
import shutil
import subprocess  # run only on files that we wrote, with fixed arguments
from collections.abc import Callable, Collection
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


_BAD_VALUE = "Error - Value invalid for this VR"
_BAD_VALUES = "Error - Dicom dataset contains invalid data values for Value Representations"
"""What dciodvfy says of a value, and of a file in which it said so of any."""
_TOO_LONG = re.compile(
    r" (?P<vr>[A-Z]{2}) \[\d+\] = <(?P<value>.*?)>? - Length invalid for this VR = \d+, "
    r"expected <= (?P<longest>\d+)"
)
_UID_VALUE = re.compile(r"\) UI .* UI \[\d+\] = <([^>]*)>")

_JARS = Path("/usr/share/java")
_JAVA_LIMITS = ("xpathTotalOpLimit", "xpathExprOpLimit", "xpathExprGrpLimit")
"""The defaults of current Java machines are smaller than the validator's own rules need."""
_SHORT_RUN = ("-XX:TieredStopAtLevel=1", "-XX:+UseSerialGC")
"""A run of seconds: half the processor time without the second compiler and its threads."""

AMBIGUOUS = ("(111030,DCM,", "(121214,DCM,")
"""Items that DicomSRValidator misses in every TID 1501 group, which it also tries as TID 1410."""


def available() -> tuple[str, ...]:
    """Names of the validators that are installed here."""
    found = tuple(name for name in ("dciodvfy", "dsrdump", "dcmpschk") if _find(name))
    return (*found, "DicomSRValidator") if _pixelmed() else found


def outside_problems(path: Path, given: Collection[str] = ()) -> list[str]:
    """What the installed validators call an error in a file; [] is good.

    Parameters
    ----------
    path
        A DICOM file; dsrdump looks only at structured reports, dcmpschk only at presentation
        states, dciodvfy at all.
    given
        UIDs that others gave: by a malformed one the file must name what it is about, so the
        form of these is not its problem.
    """
    said = _without(
        dciodvfy_errors(path),
        lambda line: (uid := _UID_VALUE.search(line)) is not None and uid[1] in given,
    )
    found = [f"dciodvfy: {line}" for line in said]
    found += [f"dsrdump: {line}" for line in dsrdump_errors(path)]
    return found + [f"dcmpschk: {line}" for line in dcmpschk_errors(path)]


def dciodvfy_errors(path: Path) -> list[str]:
    """What dciodvfy calls an error; [] also where it is not installed.

    It counts bytes where the standard counts characters (PS3.5 6.2): that is no error.
    """
    program = _find("dciodvfy")
    said = _run(program, str(path))[1] if program else []
    return _without([line for line in said if line.startswith("Error")], _miscounted)


def _without(errors: list[str], excused: Callable[[str], bool]) -> list[str]:
    """The errors but those over a value that is excused, and their summary when none is left."""
    left = [line for line in errors if not (line.startswith(_BAD_VALUE) and excused(line))]
    if len(left) < len(errors) and not any(line.startswith(_BAD_VALUE) for line in left):
        left = [line for line in left if line != _BAD_VALUES]
    return left


def _miscounted(line: str) -> bool:
    """Whether a value was called too long whose characters, unlike its bytes, are few enough."""
    found = _TOO_LONG.search(line)
    if found is None or found["value"].isascii():
        return False
    parts = found["value"].split("=") if found["vr"] == "PN" else [found["value"]]
    return all(len(part) <= int(found["longest"]) for part in parts)


def dsrdump_errors(path: Path) -> list[str]:
    """Why dsrdump cannot show a structured report; [] also where it is not installed."""
    program = _find("dsrdump")
    if not program or _sop_class(path).startswith(_NO_REPORTS):
        return []
    code, said = _run(program, "-q", str(path))
    if not code:
        return []
    return [next((line for line in said if not _HARMLESS.search(line)), f"status {code}")]


def dcmpschk_errors(path: Path) -> list[str]:
    """What dcmpschk calls an error in a presentation state; [] for anything else.

    It does not know UTF-8: of a value with letters beyond ASCII its word on the format is no
    word on the file.
    """
    program = _find("dcmpschk")
    if not program or not _sop_class(path).startswith(_PRESENTATION_STATES):
        return []
    _, said = _run(program, "-v", str(path))
    found = []
    for at, line in enumerate(said):
        if re.match("[EFW]: Error", line):
            about = [after.partition(":")[2].strip() for after in said[at + 1 : at + 3]]
            if "data type" not in line or all(word.isascii() for word in about):
                found.append(" ".join([line, *about]))
    return found


def template_errors(path: Path) -> list[str]:
    """What DicomSRValidator misses or refuses in the templates that a report claims to follow.

    Its complaints about `AMBIGUOUS` items are left out: they are not defects of the document.
    """
    command = _pixelmed()
    if not command:
        return []
    code, said = _run(*command, str(path))
    if code or not any("validation complete" in line for line in said):
        return [next((line for line in said if line.strip()), f"Error: status {code}")]
    errors = [line for line in said if line.startswith("Error")]
    missing = "Missing conditional content item"
    return [e for e in errors if not (missing in e and any(item in e for item in AMBIGUOUS))]


def _pixelmed() -> tuple[str, ...]:
    java, jar = _find("java"), _JARS / "pixelmed.jar"
    if not java or not jar.is_file():
        return ()
    jars = ":".join(str(path) for path in (jar, *sorted(_JARS.glob("*.jar"))))
    limits = (f"-Djdk.xml.{name}=0" for name in _JAVA_LIMITS)
    return (java, *_SHORT_RUN, *limits, "-cp", jars, "com.pixelmed.validate.DicomSRValidator")


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
