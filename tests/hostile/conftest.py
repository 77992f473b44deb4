"""The running node of the DIMSE tests."""

from tests.node.conftest import archive, delivering, running, start

__all__ = ["archive", "delivering", "running", "start"]
