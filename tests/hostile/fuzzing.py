"""Coverage-guided fuzzing of what reads bytes of strangers, for as long as one likes.

    python -m tests.hostile.fuzzing dataset|file|multipart|stream --seconds 600 [--corpus DIR]

An input that raises anything but a refusal is a defect; it is printed and written to a file.
"""

import argparse
import contextlib
import io
import os
import sys
import tempfile
from collections.abc import Callable
from pathlib import Path

import atheris

from dicom_service.codestream import size_of
from dicom_service.errors import BadObject
from dicom_service.node import headers, structure
from dicom_service.web.dicomweb import incoming, multipart
from tests.node.conftest import image, written

for _part in (
    *(getattr(structure, name) for name in ("walk", "_header", "_opens", "_close", "_value")),
    *(getattr(multipart.Parts, name) for name in ("__iter__", "_ended", "_skip_headers", "_fill")),
    multipart.Parts._until_delimiter,
    incoming.read_instance_header,
    *(getattr(headers, name) for name in ("read_header", "_uid", "_encodings", "_text")),
    size_of,
):
    atheris.instrument_func(_part)
_BOUNDARY = "b"
_WANTED = {0x00080005, 0x00080016, 0x00080018, 0x0020000D, 0x0020000E, 0x00100010}


def dataset(data: bytes) -> None:
    """The walk through a data set in either encoding."""
    explicit = bool(data[:1]) and data[0] % 2 == 1
    with contextlib.suppress(BadObject):
        structure.walk(io.BytesIO(data), 1, len(data), explicit, _WANTED)


def file(data: bytes) -> None:
    """A whole file, as it comes by the web: meta information, walk, identifiers, texts."""
    place = Path(tempfile.gettempdir()) / f"sesamoid-fuzzed-{os.getpid()}.dcm"
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


TARGETS: dict[str, Callable[[bytes], None]] = {
    "dataset": dataset,
    "file": file,
    "multipart": multiparts,
    "stream": stream,
}


def _seeds(target: str) -> list[bytes]:
    whole = written(image(rows=2, columns=2))
    body = b"--b\r\nContent-Type: application/dicom\r\n\r\n" + whole + b"\r\n--b--\r\n"
    jpeg = bytes.fromhex("ffd8ffc4000400ffffc0000b080010001001011100ffd9")
    return {
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
