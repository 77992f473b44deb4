"""Checking DICOM files: our own rules and the outside validators, file by file."""

from collections.abc import Callable, Iterator, Sequence
from pathlib import Path
from typing import Literal, NamedTuple

import pydicom
from pydicom.dataset import Dataset
from pydicom.errors import InvalidDicomError
from pydicom.uid import KeyObjectSelectionDocumentStorage

from dicom_service import report, validators
from dicom_service.base import Frozen
from dicom_service.codes import MAPPING_RESOURCE, get
from dicom_service.errors import BadObject
from dicom_service.report.header import REPORT_TEMPLATE
from dicom_service.report.rules import ANIMAL
from dicom_service.report.walk import name_of

OURS = "sesamoid"
_LARGE = 1024
"""Values above this many bytes are read only when they are asked for; pixels never are."""

_PRESENTATION_STATE = "1.2.840.10008.5.1.4.1.1.11."


def _has_tree(dataset: Dataset) -> bool:
    return report.is_report(dataset) or (
        dataset.get("SOPClassUID") == KeyObjectSelectionDocumentStorage
    )


OUTSIDE: dict[str, tuple[Callable[[Path], list[str]], Callable[[Dataset], bool]]] = {
    "dciodvfy": (validators.dciodvfy_errors, lambda _: True),
    "dsrdump": (validators.dsrdump_errors, _has_tree),
    "DicomSRValidator": (validators.template_errors, _has_tree),
    "dcmpschk": (
        validators.dcmpschk_errors,
        lambda dataset: str(dataset.get("SOPClassUID")).startswith(_PRESENTATION_STATE),
    ),
}
"""Outside validator -> what it says of a file, and which objects it knows."""


class Row(Frozen):
    """What one checker says of one file."""

    file: str
    checker: str
    verdict: Literal["good", "problem", "not checked"]
    sentence: str = ""


class _File(NamedTuple):
    path: Path
    dataset: Dataset


def check(paths: Sequence[Path], *, progress: Callable[[str], None] = lambda _: None) -> list[Row]:
    """Check files with everything that is here.

    Parameters
    ----------
    paths
        Any files. A report is checked together with its measurement document and its images
        when they are among them.
    progress
        Told each file's name before it is looked at.
    """
    rows: list[Row] = []
    files: list[_File] = []
    for path in paths:
        try:
            files.append(_File(path, _read(path)))
        except BadObject as error:
            rows.append(Row(file=str(path), checker=OURS, verdict="problem", sentence=str(error)))
    installed = validators.available()
    for file in files:
        progress(str(file.path))
        rows += _said(file.path, OURS, _own(file, files))
        for name, (ask, knows) in OUTSIDE.items():
            if not knows(file.dataset):
                continue
            if name in installed:
                rows += _said(file.path, name, ask(file.path))
            else:
                rows.append(
                    Row(file=str(file.path), checker=name, verdict="not checked",
                        sentence="It is not installed here.")
                )  # fmt: skip
    return rows


def _read(path: Path) -> Dataset:
    try:
        dataset = pydicom.dcmread(path, defer_size=_LARGE * 1024)
        for _ in dataset.iterall() if report.is_report(dataset) else ():
            pass  # so that a value that cannot be decoded is found now
    except OSError as error:
        raise BadObject(f"The file cannot be read: {error.strerror or error}.") from error
    except InvalidDicomError as error:
        raise BadObject("This is no DICOM file: the mark DICM is missing.") from error
    except RecursionError as error:
        raise BadObject("Its sequences are nested too deep to be read.") from error
    except Exception as error:
        # Whatever a stranger's bytes do to the parser is a fact about the file.
        raise BadObject(f"The file is damaged: {str(error)[:200]}.") from error
    if not dataset.get("SOPClassUID"):
        raise BadObject("It does not say what kind of object it is (SOP Class UID).")
    return dataset


def _said(path: Path, checker: str, sentences: Sequence[str]) -> list[Row]:
    if not sentences:
        return [Row(file=str(path), checker=checker, verdict="good")]
    return [
        Row(file=str(path), checker=checker, verdict="problem", sentence=sentence)
        for sentence in sentences
    ]


def _own(file: _File, files: Sequence[_File]) -> list[str]:
    """Our own rules: all of them for our documents, those that fit for everything else."""
    made = file.dataset
    if not report.is_report(made):
        return list(_animal(made))
    try:
        whole = made if _is_our_report(made) else _report_of(made, files)
        if whole is None:
            return [*report.problems_of_any(made), *_animal(made)]
        evidence = [f.dataset for f in files if _is_evidence(f.dataset, made)]
        measurements = _companion(whole, files)
        found = report.problems(whole, measurements, evidence)
    except Exception as error:  # noqa: BLE001 - the file is a stranger's; the rules expect types
        return [f"It is so damaged that the rules cannot be applied: {str(error)[:200]}."]
    other = "Measurements: " if made is whole else "Report: "
    lonely = measurements is None and _names_companion(whole)
    return [
        sentence.removeprefix("Report: ").removeprefix("Measurements: ")
        for sentence in found
        if not sentence.startswith(other) and not _about_absent(sentence, lonely=lonely)
    ]


def _about_absent(sentence: str, *, lonely: bool) -> bool:
    """Whether a sentence is only about files that were not given."""
    if lonely and "missing in the measurement document" in sentence:
        return True
    # An image that is not even listed as evidence has a sentence of its own.
    return "which is no image of the study" in sentence


def _is_our_report(made: Dataset) -> bool:
    ours = (MAPPING_RESOURCE, REPORT_TEMPLATE)
    return any(
        (str(e.get("MappingResource", "")), str(e.get("TemplateIdentifier", ""))) == ours
        for e in made.get("ContentTemplateSequence") or []
    ) or (name_of(made) == get("diagnostic_imaging_report").key and (0x0071, 0x0010) in made)


def _is_evidence(other: Dataset, made: Dataset) -> bool:
    """Whether another file is an image of the study of a report."""
    same = other.get("StudyInstanceUID") == made.get("StudyInstanceUID")
    return same and "Rows" in other and "SOPInstanceUID" in other


def _named(made: Dataset) -> Iterator[str]:
    for item in made.get("ContentSequence") or []:
        if item.get("ValueType") == "COMPOSITE":
            for row in item.get("ReferencedSOPSequence") or []:
                yield str(row.get("ReferencedSOPInstanceUID", ""))


def _names_companion(made: Dataset) -> bool:
    return any(_named(made))


def _companion(made: Dataset, files: Sequence[_File]) -> Dataset | None:
    wanted = set(_named(made))
    return next(
        (
            f.dataset
            for f in files
            if report.is_report(f.dataset) and str(f.dataset.get("SOPInstanceUID", "")) in wanted
        ),
        None,
    )


def _report_of(made: Dataset, files: Sequence[_File]) -> Dataset | None:
    """Our report that names a document as its measurements."""
    uid = str(made.get("SOPInstanceUID", ""))
    ours = (f.dataset for f in files if report.is_report(f.dataset) and _is_our_report(f.dataset))
    return next((whole for whole in ours if uid in set(_named(whole))), None)


def _animal(made: Dataset) -> Iterator[str]:
    """An object that tells of an animal tells all that the standard asks of one."""
    species = made.get("PatientSpeciesCodeSequence") or made.get("PatientSpeciesDescription")
    present = [keyword for keyword in ANIMAL if keyword in made]
    if not species and not present:
        return
    if not species:
        yield f"the patient is an animal ({present[0]} is there), but its species is missing."
    for keyword in ANIMAL:
        if keyword not in made:
            yield f"the patient is an animal, but the attribute {keyword} is missing."
    if made.get("ResponsiblePerson") and not made.get("ResponsiblePersonRole"):
        yield "a responsible person is named without a role (Responsible Person Role)."
