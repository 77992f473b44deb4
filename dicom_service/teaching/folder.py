"""A teaching case as a folder: DICOM files with their DICOMDIR, and one page."""

import io
import tempfile
import zipfile
from pathlib import Path

from pydicom.fileset import FileSet

from dicom_service.errors import SetupError
from dicom_service.teaching.case import TeachingCase
from dicom_service.teaching.page import page

PAGE = "index.html"


def write_case(case: TeachingCase, folder: Path) -> list[Path]:
    """Write a case; the folder must be new or empty, so that nothing older is given away too.

    Raises
    ------
    SetupError
        The folder holds something or cannot be written.
    """
    if folder.exists() and (not folder.is_dir() or any(folder.iterdir())):
        raise SetupError(f"{folder} is not empty; name a new folder for the case.")
    try:
        folder.mkdir(parents=True, exist_ok=True)
        _write_dicom(case, folder)
        (folder / PAGE).write_text(page(case), "utf-8")
    except OSError as error:
        raise SetupError(f"{folder} cannot be written: {error.strerror}.") from error
    return sorted(path for path in folder.rglob("*") if path.is_file())


def zipped(case: TeachingCase) -> bytes:
    """The same folder as one ZIP file."""
    packed = io.BytesIO()
    with tempfile.TemporaryDirectory() as made:
        folder = Path(made) / "teaching-case"
        with zipfile.ZipFile(packed, "w", zipfile.ZIP_DEFLATED) as archive:
            for path in write_case(case, folder):
                archive.write(path, path.relative_to(folder.parent))
    return packed.getvalue()


def _write_dicom(case: TeachingCase, folder: Path) -> None:
    files = FileSet()
    try:
        for dataset in (*case.images, *case.documents):
            files.add(dataset)
        files.write(folder)
    finally:
        # The library leaves its folder of copies to the garbage collector.
        files._stage["t"].cleanup()
