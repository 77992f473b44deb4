"""The command `sesamoid`; `sesamoid --help` lists what it can do."""

from dicom_service.cli.main import main

__all__ = ["main"]
