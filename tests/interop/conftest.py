"""One of every object that we write, as `sesamoid samples` gives it to a clinic."""

import argparse
from pathlib import Path

import pydicom
import pytest
from pydicom.dataset import Dataset

from dicom_service.cli import samples
from dicom_service.settings import Settings


@pytest.fixture(scope="session")
def folder(tmp_path_factory) -> Path:
    target = tmp_path_factory.mktemp("samples")
    assert samples.run(argparse.Namespace(folder=target), Settings(data_folder=target)) == 0
    return Path(target)


@pytest.fixture(scope="session")
def objects(folder: Path) -> dict[str, Dataset]:
    """Name of the file without ending -> what is in it."""
    return {path.stem: pydicom.dcmread(path) for path in sorted(folder.glob("*.dcm"))}
