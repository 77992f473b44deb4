"""A network that can be cut: a namespace of its own, joined to this one by a wire.

What is cut loses packets in both directions without a word, as a pulled cable between two switches
does: no refusal, no reset, nothing that a program could notice but silence.
"""

import contextlib
import itertools
import os
import shutil
import subprocess
from collections.abc import Iterator

import pytest

_NOBODY = "02:00:00:00:00:01"
"""A hardware address that nobody has: what is sent to it is lost."""
_numbers = itertools.count(1)


class Wire:
    """A namespace, and the wire to it.

    `here` and `there` are the addresses of its two ends.
    """

    def __init__(self) -> None:
        number = next(_numbers)
        self.name = f"sm{os.getpid()}n{number}"
        self._near, self._far = f"{self.name}a"[-15:], f"{self.name}b"[-15:]
        of_test = os.getpid() * 8 + number
        net = f"198.{18 + (of_test >> 14) % 2}.{of_test >> 6 & 255}.{{}}"
        self.here, self.there = (net.format((of_test & 63) * 4 + end) for end in (1, 2))

    def open(self) -> None:
        """Make both."""
        _ip("netns", "add", self.name)
        far = ("peer", "name", self._far, "netns", self.name)
        _ip("link", "add", self._near, "type", "veth", *far)
        _ip("address", "add", f"{self.here}/30", "dev", self._near)
        _ip("link", "set", self._near, "up")
        self._there("address", "add", f"{self.there}/30", "dev", self._far)
        self._there("link", "set", self._far, "up")
        self._there("link", "set", "lo", "up")

    def cut(self) -> None:
        """Lose every packet from now on."""
        lost = ("lladdr", _NOBODY, "nud", "permanent", "dev")
        _ip("neighbour", "replace", self.there, *lost, self._near)
        self._there("neighbour", "replace", self.here, *lost, self._far)

    def mend(self) -> None:
        """Lose no more."""
        _ip("neighbour", "delete", self.there, "dev", self._near)
        self._there("neighbour", "delete", self.here, "dev", self._far)

    def close(self) -> None:
        """Remove the namespace; its wire goes with it."""
        _ip("netns", "delete", self.name)

    def _there(self, *words: str) -> None:
        _ip("-n", self.name, *words)


@contextlib.contextmanager
def wire() -> Iterator[Wire]:
    """A wire for one test; where the machine does not allow one, the test is skipped."""
    if os.geteuid() != 0:
        pytest.skip("only root may make network namespaces")
    if not shutil.which("ip"):
        pytest.fail("iproute2 is not installed; 'bash tests/run' names the packages")
    made = Wire()
    try:
        made.open()
    except subprocess.CalledProcessError as error:
        with contextlib.suppress(subprocess.CalledProcessError):
            made.close()
        pytest.skip(f"this machine makes no network namespaces: {error.stderr.strip()}")
    try:
        yield made
    finally:
        made.close()


def _ip(*words: str) -> None:
    subprocess.run(["ip", *words], check=True, capture_output=True, text=True, timeout=20)
