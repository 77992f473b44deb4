"""The clinic around a node: its archive, the node itself, and the routing between them."""

from dataclasses import dataclass, field
from pathlib import Path
from types import TracebackType
from typing import Any, Self

from pydicom.dataset import Dataset

from dicom_service.service import Service
from dicom_service.settings import Peer, Settings
from test_pacs.archive import Archive
from test_pacs.faults import Faults
from test_pacs.routing import Route


def is_limb_image(header: Dataset) -> bool:
    """The clinic's routing rule: plain radiographs go to the node."""
    return header.get("Modality") in {"CR", "DX"}


@dataclass
class Clinic:
    """An archive and a node on loopback, each on a port of its own.

    Parameters
    ----------
    folder
        Keeps the archive's objects ("archive") and the node's data ("node").
    viewer
        Folder with the host viewer's files, or None.
    options
        Settings that differ from the node's defaults.
    """

    folder: Path
    viewer: Path | None = None
    faults: Faults = field(default_factory=Faults)
    options: dict[str, Any] = field(default_factory=dict)

    def __post_init__(self) -> None:
        self.archive = Archive(self.folder / "archive", faults=self.faults)
        self.archive.start()
        values = {
            "dimse_port": 0,
            "http_port": 0,
            "settle_seconds": 1.0,
            "institution": "Invented Demo Clinic",
        } | self.options
        peer = Peer(name="archive", ae_title=self.archive.ae_title, port=self.archive.port)
        self.settings = Settings(
            data_folder=self.folder / "node", archive="archive", peers=(peer,), **values
        )
        self.service = Service(self.settings, self.viewer)

    def start(self) -> None:
        """Start the node and route limb radiographs to it."""
        self.service.start()
        title, port = self.settings.ae_title, self.service.dimse_port
        self.archive.peers[title] = ("127.0.0.1", port)
        self.archive.routes.append(Route(title, "127.0.0.1", port, is_limb_image))

    def stop(self) -> None:
        """Stop the node, then the archive."""
        self.service.stop()
        self.archive.stop()

    def __enter__(self) -> Self:
        self.start()
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        self.stop()
