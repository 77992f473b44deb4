"""Fetching the host viewer: one pinned npm package, once, checked and unpacked.

The package comes through the machine's own npm client, so that its mirror and proxy settings
apply. The archive stays in a cache shared by all data folders; each data folder gets the files
that reading radiographs needs, unmodified, with gzip copies beside them in a folder of their own.
"""

import base64
import gzip
import hashlib
import os
import shutil
import subprocess
import tarfile
import tempfile
from collections.abc import Callable, Iterator
from pathlib import Path

from dicom_service.errors import SetupError

PACKAGE = "@ohif/app"
VERSION = "3.13.2"
SHA512 = "WZdxmpmG7rqFgW9ZJLcbgr3XCtLi1KDNPoMaeY5PPe6j4G4fjEjjkycZM6C6Zk2F87BKxFfpq+jd5xXZB9E8EA=="
"""Of the package's archive, as npm states it (base64)."""
ARCHIVE = f"ohif-app-{VERSION}.tgz"
CACHE_VARIABLE = "SESAMOID_VIEWER_CACHE"

FETCH_SECONDS = 600
LARGEST_FILE = 64 << 20
LARGEST_TOTAL = 256 << 20

_DROPPED = (
    "ort/",  # models for automatic segmentation
    "dicom-microscopy-viewer/",
    "customizations/",
    "assets/images/",  # volume rendering presets
    "assets/apple-touch-startup-image",
    "2493.bundle.",  # surfaces and volumes, with the two that follow
    "polySeg.bundle.",
    "5130ccb17e3f3f5b.wasm",
    "sw.js",  # never registered
    "silent-refresh.html",  # sign-in at another site
    "app-config.js",  # ours is served in its place
)
_COMPRESSED = {".js", ".css", ".wasm", ".svg", ".html", ".json"}
_SMALLEST_COMPRESSED = 1024


def ensure_viewer(data_folder: Path, report: Callable[[str], None]) -> Path:
    """The folder with the viewer's files; fetched and unpacked when it is not there yet.

    Parameters
    ----------
    data_folder
        The files go to `viewer/<version>/dist` below it.
    report
        Takes a line that says what is being done; not called when nothing is to do.

    Raises
    ------
    SetupError
        npm is missing or failed, the package is not the pinned one, or the disk is full.
    """
    home = Path(data_folder) / "viewer" / VERSION
    dist = home / "dist"
    if dist.is_dir():
        return dist
    archive = cache_folder() / ARCHIVE
    try:
        _fetch_once(archive, report)
        report(f"Unpacking the web viewer into {home} ...")
        home.parent.mkdir(parents=True, exist_ok=True)
        with tempfile.TemporaryDirectory(dir=home.parent, prefix=".unpacking-") as folder:
            fresh = Path(folder) / VERSION
            _unpack(archive, fresh / "dist")
            _compress(fresh / "dist", fresh / "gzip")
            _move_into_place(fresh, home)
    except tarfile.TarError as error:
        raise SetupError(
            f"The web viewer's archive {archive} is damaged or unsafe: {error}. Delete it, then "
            "try again."
        ) from error
    except OSError as error:
        raise SetupError(
            f"The data folder {data_folder} cannot take the web viewer: "
            f"{error.strerror or error}{_where(error)}. Make it writable for this user, free some "
            "room, or name another with data_folder."
        ) from error
    return dist


def _where(error: OSError) -> str:
    """The file at fault, as it may be in the folder of fetched packages too."""
    return f" ({error.filename})" if error.filename else ""


def gzip_folder(dist: Path) -> Path:
    """Where the compressed copies of the files in `dist` are."""
    return dist.parent / "gzip"


def cache_folder() -> Path:
    """Where the package's archive is kept for all data folders."""
    chosen = os.environ.get(CACHE_VARIABLE)
    return Path(chosen) if chosen else Path.home() / ".cache" / "sesamoid" / "viewer"


def _fetch_once(kept: Path, report: Callable[[str], None]) -> None:
    if kept.is_file() and _is_pinned(kept):
        return
    kept.parent.mkdir(parents=True, exist_ok=True)
    with tempfile.TemporaryDirectory(dir=kept.parent, prefix=".fetching-") as folder:
        report(f"Fetching the web viewer {PACKAGE} {VERSION} with npm (50 MB, once) ...")
        fetched = _fetch(Path(folder))
        if not _is_pinned(fetched):
            raise SetupError(
                f"The web viewer that npm fetched is not {PACKAGE} {VERSION} as released: its "
                "checksum differs. Nothing was installed. Check the npm mirror that this machine "
                f"uses, or put the right file at {kept} by hand."
            )
        fetched.replace(kept)


def _fetch(folder: Path) -> Path:
    npm = shutil.which("npm")
    if npm is None:
        raise SetupError(
            "Node.js with npm is needed once to fetch the web viewer: apt install nodejs npm. "
            f"Or put the package's archive at {cache_folder() / ARCHIVE} by hand."
        )
    command = [npm, "pack", f"{PACKAGE}@{VERSION}", "--pack-destination", str(folder)]
    try:
        done = subprocess.run(  # noqa: S603 - a fixed command
            [*command, "--ignore-scripts"],
            cwd=folder,
            capture_output=True,
            text=True,
            errors="replace",
            timeout=FETCH_SECONDS,
            check=False,
        )
    except subprocess.TimeoutExpired as error:
        raise SetupError(
            f"npm did not deliver the web viewer within {FETCH_SECONDS} seconds. "
            "Check this machine's network and try again."
        ) from error
    fetched = folder / ARCHIVE
    if done.returncode or not fetched.is_file():
        said = [line for line in done.stderr.splitlines() if line.strip()][-1:] or ["nothing"]
        raise SetupError(
            f"npm could not fetch the web viewer {PACKAGE} {VERSION}; it said: {said[0][:300]}. "
            "Check this machine's network, mirror and proxy settings (npm config list)."
        )
    return fetched


def _is_pinned(file: Path) -> bool:
    with file.open("rb") as stream:
        digest = hashlib.file_digest(stream, "sha512").digest()
    return base64.b64encode(digest).decode() == SHA512


def _unpack(archive: Path, dist: Path) -> None:
    dist.mkdir(parents=True)
    with tarfile.open(archive, "r:gz") as tar:
        for member in _needed(tar):
            tar.extract(member, dist, filter="data")
    if not (dist / "index.html").is_file():
        raise SetupError(f"The archive {archive} holds no viewer. Delete it and try again.")


def _needed(tar: tarfile.TarFile) -> Iterator[tarfile.TarInfo]:
    total = 0
    for member in tar:
        name = member.name.removeprefix("package/dist/")
        if name == member.name or not member.isfile() or name.startswith(_DROPPED):
            continue
        total += member.size
        if member.size > LARGEST_FILE or total > LARGEST_TOTAL:
            raise SetupError("The web viewer's archive is larger than it can rightly be.")
        yield member.replace(name=name, mode=0o644, deep=False)


def _compress(dist: Path, target: Path) -> None:
    for file in dist.rglob("*"):
        if file.suffix in _COMPRESSED and file.stat().st_size >= _SMALLEST_COMPRESSED:
            copy = target / file.relative_to(dist).with_name(file.name + ".gz")
            copy.parent.mkdir(parents=True, exist_ok=True)
            copy.write_bytes(gzip.compress(file.read_bytes(), compresslevel=6, mtime=0))


def _move_into_place(fresh: Path, home: Path) -> None:
    try:
        fresh.rename(home)
    except OSError:
        if not (home / "dist").is_dir():  # else another process was first, with the same files
            raise
