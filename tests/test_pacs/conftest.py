"""Invented objects, an archive on a free port, and a receiving node to route to."""

import subprocess
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest
from pydicom import Dataset
from pydicom.dataset import FileMetaDataset
from pydicom.uid import ExplicitVRLittleEndian, generate_uid
from pynetdicom import AE, AllStoragePresentationContexts, evt

from test_pacs.archive import TRANSFER_SYNTAXES, Archive

CR = "1.2.840.10008.5.1.4.1.1.1"


def _image(**values: object) -> Dataset:
    """A tiny CR image of an invented animal; `values` replace or add attributes."""
    image = Dataset()
    image.file_meta = FileMetaDataset()
    image.file_meta.TransferSyntaxUID = ExplicitVRLittleEndian
    image.SpecificCharacterSet = "ISO_IR 192"
    image.SOPClassUID = CR
    image.SOPInstanceUID = generate_uid()
    image.StudyInstanceUID = generate_uid()
    image.SeriesInstanceUID = generate_uid()
    image.PatientID = "A1"
    image.PatientName = "Rex^^^^"
    image.StudyDate = "20240310"
    image.StudyTime = "101500"
    image.AccessionNumber = "ACC1"
    image.StudyDescription = "Carpus"
    image.Modality = "CR"
    image.SeriesNumber = 1
    image.InstanceNumber = 1
    image.Rows = image.Columns = 64
    image.BitsAllocated = image.BitsStored = 16
    image.HighBit = 15
    image.PixelRepresentation = 0
    image.SamplesPerPixel = 1
    image.PhotometricInterpretation = "MONOCHROME2"
    image.PixelData = bytes(range(256)) * 32
    for keyword, value in values.items():
        setattr(image, keyword, value)
    image.file_meta.MediaStorageSOPClassUID = image.SOPClassUID
    image.file_meta.MediaStorageSOPInstanceUID = image.SOPInstanceUID
    return image


@pytest.fixture
def make_image() -> Callable[..., Dataset]:
    return _image


@pytest.fixture
def archive(tmp_path: Path) -> Iterator[Archive]:
    with Archive(tmp_path / "archive") as running:
        yield running


class Node:
    """A storage SCP that remembers what it was sent, to route or move to."""

    def __init__(self) -> None:
        self.received: list[Dataset] = []
        self.ae = AE("NODE")
        for context in AllStoragePresentationContexts:
            self.ae.add_supported_context(str(context.abstract_syntax), TRANSFER_SYNTAXES)
        server = self.ae.start_server(
            ("127.0.0.1", 0), block=False, evt_handlers=[(evt.EVT_C_STORE, self._store)]
        )
        self.port = server.server_address[1]

    def _store(self, event: evt.Event) -> int:
        dataset = event.dataset
        dataset.file_meta = event.file_meta
        self.received.append(dataset)
        return 0x0000


@pytest.fixture
def node() -> Iterator[Node]:
    running = Node()
    yield running
    running.ae.shutdown()


@pytest.fixture
def dcmtk(archive: Archive) -> Callable[..., subprocess.CompletedProcess[str]]:
    """Runs one of DCMTK's clients against the archive, by full path."""

    def run(program: str, *arguments: object) -> subprocess.CompletedProcess[str]:
        command = [f"/usr/bin/{program}", "-aec", archive.ae_title, "127.0.0.1", str(archive.port)]
        return subprocess.run(
            command + [str(argument) for argument in arguments],
            capture_output=True,
            text=True,
            timeout=60,
        )

    return run
