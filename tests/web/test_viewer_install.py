"""Fetching the host viewer: once, checked, atomically, with sentences when it cannot be."""

import base64
import gzip
import hashlib
import io
import os
import tarfile

import pytest

from dicom_service import viewer_install
from dicom_service.errors import SetupError
from dicom_service.viewer_install import ARCHIVE, ensure_viewer, gzip_folder

FILES = {
    "package/package.json": b"{}",
    "package/dist/index.html": b"<html>" + b" " * 2000,
    "package/dist/app.bundle.0123456789abcdef.js": b"1;" * 2000,
    "package/dist/8097.bundle.0123456789abcdef.js": b"2;",
    "package/dist/assets/favicon.ico": b"icon",
    "package/dist/ort/model.wasm": b"large",
    "package/dist/dicom-microscopy-viewer/x.js": b"large",
    "package/dist/app-config.js": b"theirs",
}


def archive(files=FILES, **odd) -> bytes:
    out = io.BytesIO()
    with tarfile.open(fileobj=out, mode="w:gz") as tar:
        for name, data in files.items():
            member = tarfile.TarInfo(name)
            member.size = len(data)
            tar.addfile(member, io.BytesIO(data))
        for name, target in odd.items():
            link = tarfile.TarInfo(f"package/dist/{name}")
            link.type, link.linkname = tarfile.SYMTYPE, target
            tar.addfile(link)
    return out.getvalue()


@pytest.fixture
def npm(tmp_path, monkeypatch):
    """An npm that delivers given bytes and counts its calls; the checksum is that of `FILES`."""
    folder = tmp_path / "bin"
    folder.mkdir()
    calls = tmp_path / "calls"
    script = folder / "npm"

    def deliver(data: bytes | None, *, pin: bytes | None = None):
        source = tmp_path / "delivered.tgz"
        source.write_bytes(data or b"")
        copy = (
            f'cp "{source}" "$4/{ARCHIVE}"'
            if data is not None
            else "echo 'npm error no network' >&2; exit 1"
        )
        script.write_text(f'#!/bin/sh\necho "$1 $2" >> "{calls}"\n{copy}\n')
        script.chmod(0o755)
        digest = hashlib.sha512(pin if pin is not None else data or b"").digest()
        monkeypatch.setattr(viewer_install, "SHA512", base64.b64encode(digest).decode())

    monkeypatch.setenv("PATH", f"{folder}{os.pathsep}/usr/bin{os.pathsep}/bin")
    monkeypatch.setenv("SESAMOID_VIEWER_CACHE", str(tmp_path / "cache"))
    deliver.calls = lambda: calls.read_text().splitlines() if calls.exists() else []
    deliver.script = script
    return deliver


def test_the_needed_files_are_unpacked_and_nothing_else(npm, tmp_path):
    npm(archive())
    said = []
    dist = ensure_viewer(tmp_path / "data", said.append)
    assert dist == tmp_path / "data" / "viewer" / "3.13.2" / "dist"
    assert {str(f.relative_to(dist)) for f in dist.rglob("*") if f.is_file()} == {
        "index.html",
        "app.bundle.0123456789abcdef.js",
        "8097.bundle.0123456789abcdef.js",
        "assets/favicon.ico",
    }
    assert npm.calls() == ["pack @ohif/app@3.13.2"]
    assert any("Fetching" in line for line in said)


def test_the_files_are_unchanged_and_have_compressed_copies_elsewhere(npm, tmp_path):
    npm(archive())
    dist = ensure_viewer(tmp_path / "data", lambda _: None)
    for name in ("index.html", "app.bundle.0123456789abcdef.js"):
        data = FILES[f"package/dist/{name}"]
        assert (dist / name).read_bytes() == data
        assert gzip.decompress((gzip_folder(dist) / f"{name}.gz").read_bytes()) == data
    assert not (gzip_folder(dist) / "8097.bundle.0123456789abcdef.js.gz").exists(), "too small"


def test_it_is_done_once_for_a_folder_and_fetched_once_for_a_machine(npm, tmp_path):
    npm(archive())
    ensure_viewer(tmp_path / "data", lambda _: None)
    said = []
    ensure_viewer(tmp_path / "data", said.append)
    assert said == []
    ensure_viewer(tmp_path / "other", said.append)
    assert len(npm.calls()) == 1
    assert not any("Fetching" in line for line in said)


def test_a_damaged_archive_in_the_cache_is_fetched_again(npm, tmp_path):
    npm(archive())
    (tmp_path / "cache").mkdir()
    (tmp_path / "cache" / ARCHIVE).write_bytes(b"half")
    assert (ensure_viewer(tmp_path / "data", lambda _: None) / "index.html").is_file()
    assert len(npm.calls()) == 1


def test_another_package_than_the_pinned_one_is_refused(npm, tmp_path):
    npm(archive(), pin=b"the released one")
    with pytest.raises(SetupError, match="checksum differs"):
        ensure_viewer(tmp_path / "data", lambda _: None)
    assert not (tmp_path / "data").exists()
    assert list((tmp_path / "cache").iterdir()) == []


def test_without_npm_the_sentence_says_what_to_install(npm, tmp_path, monkeypatch):
    monkeypatch.setenv("PATH", str(tmp_path / "nothing"))
    with pytest.raises(SetupError, match="apt install nodejs npm"):
        ensure_viewer(tmp_path / "data", lambda _: None)


def test_a_failing_npm_is_quoted(npm, tmp_path):
    npm(None)
    with pytest.raises(SetupError, match="npm error no network"):
        ensure_viewer(tmp_path / "data", lambda _: None)


@pytest.mark.parametrize("name", ["package/dist/../../../escaped", "package/dist//../escaped"])
def test_a_path_out_of_the_folder_is_not_followed(npm, tmp_path, name):
    npm(archive(FILES | {name: b"x"}))
    with pytest.raises(SetupError, match="unsafe"):
        ensure_viewer(tmp_path / "data", lambda _: None)
    assert not list(tmp_path.rglob("escaped"))
    assert not (tmp_path / "data" / "viewer" / "3.13.2").exists()


def test_links_are_not_unpacked(npm, tmp_path):
    npm(archive(**{"link.js": "/etc/passwd"}))
    dist = ensure_viewer(tmp_path / "data", lambda _: None)
    assert not (dist / "link.js").exists()


def test_an_archive_that_unpacks_without_end_is_refused(npm, tmp_path, monkeypatch):
    monkeypatch.setattr(viewer_install, "LARGEST_TOTAL", 5000)
    npm(archive())
    with pytest.raises(SetupError, match="larger than it can rightly be"):
        ensure_viewer(tmp_path / "data", lambda _: None)
    assert not (tmp_path / "data" / "viewer" / "3.13.2").exists()


def test_an_archive_without_a_viewer_is_refused(npm, tmp_path):
    npm(archive({"package/package.json": b"{}"}))
    with pytest.raises(SetupError, match="holds no viewer"):
        ensure_viewer(tmp_path / "data", lambda _: None)
    assert not (tmp_path / "data" / "viewer" / "3.13.2").exists()


def test_a_folder_that_cannot_be_written_is_told(npm, tmp_path):
    npm(archive())
    (tmp_path / "data").write_text("a file in the way")
    with pytest.raises(SetupError, match=r"The data folder \S+ cannot take the web viewer"):
        ensure_viewer(tmp_path / "data", lambda _: None)
