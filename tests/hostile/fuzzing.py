"""Coverage-guided fuzzing of what reads bytes of strangers, for as long as one likes.

    python -m tests.hostile.fuzzing pdu|dataset|file|multipart|stream --seconds 600 [--corpus DIR]

An input that raises anything but a refusal is a defect; it is printed and written to a file.
"""

import argparse
import atexit
import contextlib
import io
import shutil
import socket
import sys
import tempfile
from collections.abc import Callable
from pathlib import Path
from typing import cast

import atheris
from pydicom.uid import ExplicitVRLittleEndian, ImplicitVRLittleEndian

from dicom_service.codestream import size_of
from dicom_service.errors import BadObject
from dicom_service.node import headers, structure
from dicom_service.node.limits import Limits
from dicom_service.node.receiver import file_header
from dicom_service.node.stream import Answer, IncomingFile, command
from dicom_service.node.stream import straight as long_objects
from dicom_service.node.stream.command import Command, Malformed, response
from dicom_service.node.stream.inlet import P_DATA, Inlet
from dicom_service.node.stream.messages import Messages, Services
from dicom_service.node.stream.straight import Straight
from dicom_service.web.dicomweb import incoming, multipart
from tests.hostile import wire
from tests.node.conftest import CR, image, written

for _part in (
    *(getattr(structure, name) for name in ("walk", "_header", "_opens", "_close", "_value")),
    *(getattr(multipart.Parts, name) for name in ("__iter__", "_ended", "_skip_headers", "_fill")),
    multipart.Parts._until_delimiter,
    incoming.read_instance_header,
    *(getattr(headers, name) for name in ("read_header", "_uid", "_encodings", "_text")),
    size_of,
    *(getattr(Messages, name) for name in ("take", "_fragment", "_begun", "_complete", "_bounded")),
    *(getattr(Straight, name) for name in ("foretell", "slots", "sort")),
    *(
        f
        for f in vars(command).values()
        if getattr(f, "__module__", "") == command.__name__ and hasattr(f, "__code__")
    ),
):
    atheris.instrument_func(_part)
long_objects._SHORTEST = 32  # what comes here is short
_PACKET = 700
_BOUNDARY = "b"
_FOLDER = Path(tempfile.mkdtemp(prefix="sesamoid-fuzzed-"))
atexit.register(shutil.rmtree, _FOLDER, ignore_errors=True)
_WANTED = {0x00080005, 0x00080016, 0x00080018, 0x0020000D, 0x0020000E, 0x00100010}


def dataset(data: bytes) -> None:
    """The walk through a data set in either encoding."""
    explicit = bool(data[:1]) and data[0] % 2 == 1
    with contextlib.suppress(BadObject):
        structure.walk(io.BytesIO(data), 1, len(data), explicit, _WANTED)


def file(data: bytes) -> None:
    """A whole file, as it comes by the web: meta information, walk, identifiers, texts."""
    place = _FOLDER / "fuzzed.dcm"
    place.write_bytes(data)
    with contextlib.suppress(BadObject):
        incoming.read_instance_header(place)


def multiparts(data: bytes) -> None:
    """A multipart body; what goes in as content comes out."""
    with contextlib.suppress(BadObject):
        for part in multipart.Parts(io.BytesIO(data), _BOUNDARY):
            total = sum(len(piece) for piece in part)
            assert total <= len(data)


def stream(data: bytes) -> None:
    """The claimed size of a compressed image."""
    size_of(data)


class _Peer:
    """A connection that gives the bytes of one input, in pieces."""

    def __init__(self, data: bytes) -> None:
        self._rest = io.BytesIO(data)

    def recvmsg_into(self, slots: list[memoryview], _size: int, _flags: int) -> tuple[int]:
        left = _PACKET
        for slot in slots:
            left -= self._rest.readinto(slot[:left])
        return (_PACKET - left,)

    def setsockopt(self, *_: int) -> None:
        """Nobody listens."""


def pdu(data: bytes) -> None:
    """What comes on an accepted association: PDUs, fragments, commands, objects."""

    def store(came: IncomingFile | None) -> Answer:
        if came is None:
            return Answer(0xC000)
        with contextlib.suppress(BadObject):
            file_header(came)
        came.discard()
        return Answer(0)

    def other(_context: int, encoded: bytes, body: bytes | None) -> None:
        assert len(encoded) + len(body or b"") <= len(data)

    def respond(context: int, asked: Command, answer: Answer) -> None:
        assert response(context, asked, answer.status, answer.comment, 16384)

    services = Services(store, lambda: Answer(0), other, respond)
    syntaxes = {1: ExplicitVRLittleEndian, 3: ImplicitVRLittleEndian}
    in_memory = 600  # so that some of what comes is written to a file
    messages = Messages(_FOLDER, in_memory, Limits(), lambda: syntaxes, services)
    inlet = Inlet(cast("socket.socket", _Peer(data)), 8192)
    straight = Straight(inlet, messages)
    with contextlib.suppress(Malformed):
        while not inlet.lies:
            slots = straight.slots()
            count = inlet.receive(slots)
            if not count:
                break
            straight.sort(slots, count)
            while not inlet.lies and (whole := inlet.pdu) is not None:
                if whole[0] == P_DATA:
                    messages.take(whole)
                inlet.drop(len(whole))
            if not inlet.lies:
                straight.foretell()
    messages.close()
    assert not any(_FOLDER.iterdir())


TARGETS: dict[str, Callable[[bytes], None]] = {
    "pdu": pdu,
    "dataset": dataset,
    "file": file,
    "multipart": multiparts,
    "stream": stream,
}


def _seeds(target: str) -> list[bytes]:
    whole = written(image(rows=2, columns=2))
    body = b"--b\r\nContent-Type: application/dicom\r\n\r\n" + whole + b"\r\n--b--\r\n"
    object_ = whole[whole.index(b"\x08\x00\x16\x00") :]
    sent = wire.pdv(1, 3, wire.store_command(CR, "1.2.3")) + wire.pdv(1, 2, object_)
    pieces = [object_[at : at + 40] for at in range(0, len(object_), 40)] * 3
    long = [wire.pdv(1, 3, wire.store_command(CR, "1.2.3"))]
    long += [wire.pdv(1, 0, piece) for piece in pieces] + [wire.pdv(1, 2, b"end")]
    echo = wire.pdv(3, 3, wire.command({0x0002: b"1.2.840.10008.1.1", 0x0100: 48, 0x0800: 0x101}))
    jpeg = bytes.fromhex("ffd8ffc4000400ffffc0000b080010001001011100ffd9")
    return {
        "pdu": [sent, echo + sent, b"".join(long) + echo, wire.release()],
        "dataset": [b"\1" + whole[whole.index(b"\x08\x00\x16\x00") :]],
        "file": [whole],
        "multipart": [body, b"--b--"],
        "stream": [jpeg],
    }[target]


def main() -> None:
    """Fuzz until the time is over; the exit status is not 0 when a defect was found."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("target", choices=TARGETS)
    parser.add_argument("--seconds", type=int, default=60)
    parser.add_argument("--corpus", type=Path, help="kept inputs, to go on from")
    options = parser.parse_args()
    corpus = options.corpus or Path(tempfile.mkdtemp(prefix="sesamoid-corpus-"))
    corpus.mkdir(parents=True, exist_ok=True)
    for number, seed in enumerate(_seeds(options.target)):
        (corpus / f"seed-{number}").write_bytes(seed)
    arguments = [f"-max_total_time={options.seconds}", "-max_len=8192", "-timeout=10"]
    arguments += ["-rss_limit_mb=2048", f"-artifact_prefix={corpus}/", "-print_final_stats=1"]
    atheris.Setup([sys.argv[0], *arguments, str(corpus)], TARGETS[options.target])
    atheris.Fuzz()


if __name__ == "__main__":
    main()
