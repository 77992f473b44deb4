"""STOW bodies of any shape: refused with a sentence, nothing left behind, others served."""

import gzip
import io
import random
import socket
import tarfile
import time
import zipfile

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from dicom_service.errors import BadObject
from dicom_service.settings import Settings
from dicom_service.web import serve
from dicom_service.web.dicomweb import stow
from dicom_service.web.dicomweb.multipart import Parts
from tests.web.conftest import file_of, image

KIND = 'multipart/related; type="application/dicom"; boundary={}'
PART = b"--cut\r\nContent-Type: application/dicom\r\n\r\n"


def _zip(size: int = 1000) -> bytes:
    out = io.BytesIO()
    with zipfile.ZipFile(out, "w", zipfile.ZIP_DEFLATED) as made:
        made.writestr("../../evil.dcm", b"\0" * size)
    return out.getvalue()


def _tar() -> bytes:
    out = io.BytesIO()
    with tarfile.open(fileobj=out, mode="w:gz") as made:
        entry = tarfile.TarInfo("/etc/evil")
        entry.size = 4
        made.addfile(entry, io.BytesIO(b"evil"))
    return out.getvalue()


BODIES = {
    "empty": b"",
    "no delimiter": b"x" * 100_000,
    "only an end": b"--cut--\r\n",
    "an endless beginning": b"x" * 5_000_000,
    "headers without end": b"--cut\r\n" + b"A: b\r\n" * 100_000,
    "one endless header": b"--cut\r\nA: " + b"b" * 1_000_000,
    "headers without a line break": b"--cut\r\n",
    "no end": PART + b"x" * 100_000,
    "cut in a delimiter": PART + b"abc\r\n--cu",
    "bare line feeds": PART.replace(b"\r\n", b"\n") + b"abc\n--cut--\n",
    "a multipart in a multipart": PART + PART + b"abc\r\n--cut--\r\n" + b"\r\n--cut--\r\n",
    "a thousand empty parts": (PART + b"\r\n") * 1000 + b"--cut--\r\n",
    "more parts than are taken": (PART + b"\r\n") * 2100 + b"--cut--\r\n",
    "delimiters only": b"--cut\r\n" * 50_000,
    "a ZIP file": PART + _zip() + b"\r\n--cut--\r\n",
    "a ZIP bomb": PART + _zip(50_000_000) + b"\r\n--cut--\r\n",
    "a TAR file with paths": PART + _tar() + b"\r\n--cut--\r\n",
    "a compressed object": PART + gzip.compress(file_of(image())) + b"\r\n--cut--\r\n",
    "a page": PART + b"<html><script>alert(1)</script></html>\r\n--cut--\r\n",
    "only the preamble": PART + b"\0" * 128 + b"DICM\r\n--cut--\r\n",
}


@pytest.mark.parametrize("kind", BODIES)
def test_a_body_of_any_shape_is_refused_and_leaves_nothing(reader, store, kind):
    answer = reader.send(
        "POST", "/dicomweb/studies", data=BODIES[kind], content_type=KIND.format("cut")
    )
    assert 400 <= answer.status_code < 500, answer.text
    assert answer.json.get("detail") or answer.json.get("00081198")
    assert list(store.incoming.iterdir()) == []
    assert store.overview().objects == 0
    good = PART + file_of(image()) + b"\r\n--cut--\r\n"
    again = reader.send("POST", "/dicomweb/studies", data=good, content_type=KIND.format("cut"))
    assert again.status_code == 200


KINDS = {
    "no boundary": 'multipart/related; type="application/dicom"',
    "an empty boundary": KIND.format('""'),
    "a long boundary": KIND.format("b" * 71),
    "a boundary that is not ASCII": KIND.format("\u00e4\u00f6"),
    "another boundary": KIND.format("other"),
    "another type": 'multipart/related; type="text/html"; boundary=cut',
    "a form": "multipart/form-data; boundary=cut",
    "a ZIP file": "application/zip",
    "one object": "application/dicom",
    "nothing": "",
    "two boundaries": KIND.format("x; boundary=y"),
}


@pytest.mark.parametrize("kind", KINDS)
def test_a_content_type_of_any_shape_is_refused(reader, store, kind):
    data = PART + file_of(image()) + b"\r\n--cut--\r\n"
    headers = {"Content-Type": KINDS[kind].encode().decode("latin-1")}
    answer = reader.send("POST", "/dicomweb/studies", data=data, headers=headers)
    assert 400 <= answer.status_code < 500, answer.text
    assert store.overview().objects == 0
    assert list(store.incoming.iterdir()) == []


def test_an_object_larger_than_is_taken_is_cut_off_while_it_comes(reader, store, monkeypatch):
    monkeypatch.setattr(stow, "LARGEST_OBJECT", 100_000)
    data = PART + b"x" * 3_000_000 + b"\r\n--cut--\r\n"
    answer = reader.send("POST", "/dicomweb/studies", data=data, content_type=KIND.format("cut"))
    assert answer.status_code == 409
    assert list(store.incoming.iterdir()) == []


RAW = {
    "a length that lies": b"Content-Length: 1000000\r\n\r\nshort",
    "no length": b"\r\n",
    "a negative length": b"Content-Length: -5\r\n\r\n",
    "a length without end": b"Content-Length: " + b"9" * 50 + b"\r\n\r\n",
    "two lengths": b"Content-Length: 5\r\nContent-Length: 500\r\n\r\nabcde",
    "length and chunks": b"Content-Length: 5\r\nTransfer-Encoding: chunked\r\n\r\n0\r\n\r\n",
    "a chunk that lies": b"Transfer-Encoding: chunked\r\n\r\nffffffffff\r\nabc",
    "a chunk size that is none": b"Transfer-Encoding: chunked\r\n\r\n-1\r\nabc\r\n",
    "headers without end": b"X: " + b"y" * 200_000,
    "many headers": b"X: y\r\n" * 30_000 + b"\r\n",
    "folded headers": b"X: y\r\n z\r\n\r\n",
    "a zero in a header": b"X: a\0b\r\n\r\n",
}

REFUSED = (b"400", b"401", b"411", b"413", b"431", b"501")


def test_requests_that_are_no_proper_http_do_not_keep_others_out(app):
    server = serve(app, Settings(http_port=0))
    try:
        opened = []
        for body in RAW.values():
            raw = socket.create_connection(("127.0.0.1", server.port), 5)
            raw.sendall(b"POST /dicomweb/studies HTTP/1.1\r\nHost: x\r\n" + body)
            opened.append(raw)
        for kind, raw in zip(RAW, opened, strict=True):
            raw.settimeout(0.5)
            try:
                first = raw.recv(100)
            except (TimeoutError, ConnectionResetError):
                first = b""  # it waits for the rest, or was hung up on
            assert first[9:12] in (b"", *REFUSED), (kind, first)
        with socket.create_connection(("127.0.0.1", server.port), 60) as good:
            good.sendall(b"GET /api/health HTTP/1.1\r\nHost: x\r\nConnection: close\r\n\r\n")
            assert good.recv(100).startswith(b"HTTP/1.1 200")
    finally:
        for raw in opened:
            raw.close()
        server.stop()


class _Stream(io.BytesIO):
    """Gives what it has in pieces of any size."""

    def __init__(self, data: bytes, sizes: list[int]) -> None:
        super().__init__(data)
        self._sizes = sizes or [1 << 20]

    def read(self, _size: int | None = -1) -> bytes:
        size = self._sizes.pop(0) if len(self._sizes) > 1 else self._sizes[0]
        return super().read(size)


def _read(data: bytes, sizes: list[int], boundary: str = "cut") -> list[bytes]:
    return [b"".join(part) for part in Parts(_Stream(data, sizes), boundary)]


_CONTENT = st.lists(
    st.sampled_from([b"\r\n", b"--", b"--cut", b"cut", b"\r", b"\n", b"a", b"\0", b"\r\n--cu"]),
    max_size=12,
).map(b"".join).filter(lambda b: b"\r\n--cut" not in b"\r\n" + b)  # fmt: skip


@settings(max_examples=80, deadline=None, database=None, derandomize=True)
@given(st.lists(_CONTENT, max_size=4), st.lists(st.integers(1, 40), max_size=30))
def test_whatever_the_parts_hold_and_however_they_come_they_are_read_back(contents, sizes):
    data = b"".join(PART + content + b"\r\n" for content in contents) + b"--cut--\r\n"
    assert _read(data, sizes) == contents


def _mutated(noise: random.Random, data: bytes) -> bytes:
    made = bytearray(data)
    for _ in range(noise.randrange(1, 6)):
        at = noise.randrange(len(made) + 1)
        end = min(len(made), at + noise.randrange(40))
        chunk = noise.choice(
            [b"", b"\r\n", b"--cut", b"\r\n--cut", b"\r\n--cut--", b"\r\n\r\n", noise.randbytes(9)]
        )
        made[at:end] = chunk if noise.random() < 0.7 else chunk + made[at:end] * 2
    return bytes(made)


def test_any_damage_to_a_message_is_refused_or_read_but_never_a_failure(pytestconfig):
    """Longer: set SESAMOID_FUZZ_SECONDS."""
    import os

    seconds = float(os.environ.get("SESAMOID_FUZZ_SECONDS", "2"))
    noise, ends, count = random.Random(7), time.monotonic() + seconds, 0
    seeds = [
        b"".join(PART + noise.randbytes(n) + b"\r\n" for n in (0, 3, 300)) + b"--cut--\r\n",
        b"before\r\n" + PART + b"x\r\n--cut\r\n\r\n\r\n--cut--after",
    ]
    while time.monotonic() < ends:
        data = _mutated(noise, noise.choice(seeds))
        if len(data) < 5000 and noise.random() < 0.2:
            seeds = [*seeds[-50:], data]
        try:
            parts = _read(data, [noise.randrange(1, 64) for _ in range(9)])
            assert sum(map(len, parts)) <= len(data)
        except BadObject:
            pass
        count += 1
    print(f"{count} damaged messages")
    assert count > 500
