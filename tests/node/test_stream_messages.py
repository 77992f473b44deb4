"""From P-DATA to requests, and from answers to P-DATA."""

import struct

import pytest

from dicom_service.node.limits import Limits
from dicom_service.node.stream import Answer
from dicom_service.node.stream.command import C_STORE, Command, Malformed, decode, response
from dicom_service.node.stream.messages import Messages, Services
from tests.node.stream_line import CR, EXPLICIT, command_set, pdu, pdv


@pytest.mark.parametrize("most", [0, 64, 1000])
def test_a_response_fits_the_peers_pdus_and_says_the_same(most):
    command = Command(C_STORE, 9, True, CR, "1.2.3")
    stream = response(5, command, 0xA700, "no room", most)
    whole = b""
    while stream:
        length, value, context = struct.unpack_from(">LLB", stream, 2)
        assert context == 5
        assert not most or length <= most
        whole += stream[12 : 6 + length]
        assert value == length - 4
        stream = stream[6 + length :]
    assert struct.unpack_from("<H", whole, whole.index(b"\x00\x09\x02\x00\x00\x00") + 6) == (
        0xA700,
    )
    assert b"no room " in whole
    assert decode(whole).field == C_STORE | 0x8000


def test_what_an_aborted_association_left_is_removed(tmp_path):
    services = Services(lambda _: Answer(0), lambda: Answer(0), lambda *_: None, lambda *_: None)
    messages = Messages(tmp_path, 0, Limits(), lambda: {1: EXPLICIT}, services)
    messages.take(memoryview(pdu(pdv(1, 3, command_set(C_STORE, 0)), pdv(1, 0, b"half"))))
    assert len(list(tmp_path.iterdir())) == 1
    messages.close()
    assert list(tmp_path.iterdir()) == []


def test_a_command_that_lies_about_its_lengths_is_malformed():
    whole = command_set(C_STORE, 0)
    for end in range(1, len(whole)):
        try:
            decode(whole[:end])
        except Malformed:
            continue
        assert end == len(whole) - 14  # all but the last element: that one may be missing
