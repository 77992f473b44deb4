"""The running node of the DIMSE tests."""

from tests.node.conftest import delivering, running, start

__all__ = ["delivering", "running", "start"]
