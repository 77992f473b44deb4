"""Bytes of strangers, by the thousand: coverage-guided at the parsers, by grammar on the wire."""

import contextlib
import re
import socket
import subprocess
import sys

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from tests.hostile.wire import (
    abort,
    associate_request,
    command,
    pdv,
    release,
    store_command,
)
from tests.node.conftest import CR, image, wait_for


@pytest.mark.parametrize("target", ["pdu", "file", "multipart"])
def test_coverage_guided_fuzzing_finds_nothing_in_a_short_time(target, tmp_path):
    command_line = [sys.executable, "-m", "tests.hostile.fuzzing", target, "--seconds", "2"]
    run = subprocess.run(
        [*command_line, "--corpus", str(tmp_path)], capture_output=True, text=True, timeout=120
    )
    assert run.returncode == 0, run.stderr[-6000:]
    runs = int(re.search(r"number_of_executed_units: (\d+)", run.stderr)[1])
    assert runs > 50


_PIECES = st.one_of(
    st.just(associate_request([CR, "1.2.840.10008.1.1"])),
    st.just(abort()),
    st.just(release()),
    st.builds(
        pdv, st.sampled_from([1, 3, 5, 255]), st.integers(0, 255), st.binary(max_size=300)
    ),
    st.builds(
        lambda uid, context: pdv(context, 3, store_command(CR, uid)),
        st.sampled_from(["1.2.3", "", "..", "1" * 65]),
        st.sampled_from([1, 3]),
    ),
    st.builds(
        lambda elements: pdv(1, 3, command(elements)),
        st.dictionaries(
            st.sampled_from([0x0002, 0x0100, 0x0110, 0x0120, 0x0800, 0x0900, 0x1000]),
            st.one_of(st.integers(0, 0xFFFF), st.binary(max_size=40)),
            max_size=7,
        ),
    ),
    st.builds(lambda kind, data: bytes([kind, 0, 0, 0, 0, len(data)]) + data,
              st.integers(0, 255), st.binary(max_size=60)),
    st.binary(max_size=100),
)  # fmt: skip


@settings(
    max_examples=30, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture]
)
@given(
    st.lists(_PIECES, min_size=1, max_size=6),
    st.booleans(),
    st.lists(st.tuples(st.integers(0, 5000), st.integers(0, 255)), max_size=3),
)
def test_whatever_comes_over_the_wire_the_node_goes_on_serving(running, pieces, polite, damage):
    data = bytearray(b"".join([associate_request([CR])] * polite + pieces))
    for at, value in damage if data else ():
        data[at % len(data)] = value
    with socket.create_connection(("127.0.0.1", running.port), 5) as peer:
        peer.settimeout(0.05)
        with contextlib.suppress(OSError):
            peer.sendall(bytes(data))
            peer.shutdown(socket.SHUT_WR)
            peer.recv(4096)
    wait_for(lambda: len(running.node._receiver._server.active_associations) < 20)


def test_after_all_that_the_node_stores_and_nothing_is_left(running):
    assert running.send(image())[0].Status == 0
    assert running.leftovers() == []
