"""A network that can be cut: two namespaces joined by a wire.

What is cut loses packets in both directions without a word, as a pulled cable between two switches
does: no refusal, no reset, nothing that a program could notice but silence.

The test goes into one of the two, and with it the threads and processes that it starts. In the
machine's own network nothing changes: a browser that another test runs there at the same time
would give up all that it is loading.
"""

import contextlib
import ctypes
import itertools
import os
import shutil
import subprocess
import threading
from collections.abc import Iterator
from pathlib import Path

import pytest

_NOBODY = "02:00:00:00:00:01"
"""A hardware address that nobody has: what is sent to it is lost."""
_SYSTEM = ctypes.CDLL(None, use_errno=True)
_NEW_NETWORK = 0x40000000
"""CLONE_NEWNET of <linux/sched.h>, for `unshare` and `setns`."""
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
    with _own_network():
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


@contextlib.contextmanager
def _own_network() -> Iterator[None]:
    """This thread, and what it starts, in a network of which the machine sees nothing."""
    before = os.open(network(), os.O_RDONLY | os.O_CLOEXEC)
    try:
        if _SYSTEM.unshare(_NEW_NETWORK):
            reason = os.strerror(ctypes.get_errno())
            pytest.skip(f"this machine makes no network namespaces: {reason}")
        try:
            _ip("link", "set", "lo", "up")
            yield
        finally:
            _enter(before)
    finally:
        os.close(before)


def network() -> str:
    """The network of this thread, as a file for `join`."""
    return f"/proc/{os.getpid()}/task/{threading.get_native_id()}/ns/net"


def join(file: str) -> None:
    """Go into a network, as a process does that another one started on behalf of a test."""
    if not Path(file).samefile(network()):  # only root may
        with Path(file).open("rb") as opened:
            _enter(opened.fileno())


def _enter(handle: int) -> None:
    assert _SYSTEM.setns(handle, _NEW_NETWORK) == 0, os.strerror(ctypes.get_errno())


def _ip(*words: str) -> None:
    subprocess.run(["ip", *words], check=True, capture_output=True, text=True, timeout=20)
