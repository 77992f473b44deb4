"""Power cuts: what was written is recorded, and given back as a disk may give it back.

    python -m tests.hostile.power --crashes 5000 [--seed 0] [--careless KIND]

A job runs under `strace`, which records every call that changes the data folder, and what the
job told its witnesses between them. For a crash after any of these calls a folder is made as a
disk may leave it: what was synced is there; of what was not, any part, in any order, torn at any
sector. The promises made before the crash must hold in it. `--careless` leaves out one kind of
sync: then they must not, or this test could not fail.

Not modelled: a disk that loses what it has reported as synced.
"""

import argparse
import os
import random
import re
import subprocess
import sys
import tempfile
from pathlib import Path
from typing import NamedTuple

from tests.hostile.invariants import broken
from tests.hostile.job import Plan, work

CALLS = (
    "openat,creat,write,pwrite64,writev,pwritev,pwritev2,ftruncate,truncate,fallocate,"
    "fsync,fdatasync,syncfs,sync_file_range,rename,renameat,renameat2,link,linkat,unlink,unlinkat,"
    "mkdir,mkdirat,rmdir"
)
CARELESS = ("fsync", "folders", "index", "journal", "settling")
STUDIES = 2
SECTOR = 512
_LINE = re.compile(r"(?:\d+ +)?(\w+)\((.*)\)\s+= (-?\d+)")
_STRING = re.compile(r'"((?:\\x[0-9a-f]{2})*)"(\.\.\.)?')
_HANDLE = re.compile(r"^(\d+)<((?:\\x[0-9a-f]{2}|[^>])*)>")
_IGNORED = ("-shm", "/lock")
"""Shared memory of the index is rebuilt at every start; the lock has no content."""


class Step(NamedTuple):
    """One recorded call: what it does to which file, or what a witness was told."""

    what: str  # create, write, cut, sync, move, remove, folder, told
    path: str = ""
    data: bytes = b""
    offset: int = -1  # -1: at the end
    other: str = ""


def record(folder: Path, seed: int, careless: str = "") -> list[Step]:
    """Run a job in `folder` and return what it did."""
    folder.mkdir()
    log = folder / "calls"
    command = [
        "strace",
        "-f",
        "-y",
        "-xx",
        "-s",
        "10000000",
        "-e",
        f"trace={CALLS}",
        "-o",
        str(log),
    ]
    command += [sys.executable, "-m", "tests.hostile.power", "--work", str(folder / "data")]
    command += ["--seed", str(seed), "--careless", careless]
    subprocess.run(command, check=True, stdout=subprocess.DEVNULL, timeout=120)
    steps = []
    for line in log.read_text("ascii").splitlines():
        steps += parsed(line, str(folder / "data"))
    return steps


def parsed(line: str, folder: str) -> list[Step]:
    """The step of one line of the record; none when it does not change the folder."""
    match = _LINE.match(line)
    if match is None:
        assert "unfinished" not in line or folder not in line, "the job must not use threads"
        return []
    call, arguments, result = match[1], match[2], int(match[3])
    if result < 0:
        return []
    texts = [_bytes(text) for text, _ in _STRING.findall(arguments)]
    handle = _HANDLE.match(arguments)
    path = _relative(_path(handle[2]) if handle else "", folder)
    if call in ("write", "writev", "pwrite64", "pwritev", "pwritev2"):
        if handle and handle[1] == "1":
            return [Step("told", data=b"".join(texts))]
        place = -2 if call == "pwritev2" else -1  # which has flags behind it
        offset = int(arguments.rsplit(", ", 2)[place]) if call.startswith("p") else -1
        return [Step("write", path, b"".join(texts)[:result], offset)] if path else []
    if call == "syncfs":
        return [Step("sync", "*")]
    if call in ("fsync", "fdatasync"):
        whole = handle is not None and _path(handle[2]) == folder
        return [Step("sync", "." if whole else path)] if whole or path else []
    if call == "ftruncate":
        return [Step("cut", path, offset=int(arguments.rsplit(", ", 1)[1]))] if path else []
    names = [_relative(text.decode(), folder) for text in texts]
    return _naming(call, names, arguments) if any(names) else []


def _naming(call: str, names: list[str], arguments: str) -> list[Step]:
    """The steps of a call that makes, moves or removes a name."""
    if call == "openat":
        steps = [Step("create", names[0])] if "O_CREAT" in arguments else []
        return steps + ([Step("cut", names[0], offset=0)] if "O_TRUNC" in arguments else [])
    if call.startswith("mkdir"):
        return [Step("folder", names[0])]
    if call.startswith("rename"):
        return [Step("move", names[0], other=names[1])]
    if call.startswith("unlink"):
        return [Step("remove", names[0])]
    raise AssertionError(f"the model does not know {call} of {names}")


def _bytes(text: str) -> bytes:
    return bytes.fromhex(text.replace("\\x", ""))


def _path(text: str) -> str:
    return _bytes(text).decode() if text.startswith("\\x") else text


def _relative(path: str, folder: str) -> str:
    inside = path.startswith(folder + "/") and not path.endswith(_IGNORED)
    return path[len(folder) + 1 :] if inside else ""


class _File:
    """A file's content: what is on the disk, and what is on its way there."""

    def __init__(self) -> None:
        self.synced = b""
        self.pending: list[Step] = []

    def sync(self) -> None:
        self.synced = self.content(lambda _: 1.0)
        self.pending = []

    def content(self, part: "Part") -> bytes:
        data = bytearray(self.synced)
        for step in self.pending:
            share = part(step)
            if step.what == "cut" and share:
                del data[step.offset :]
                data += bytes(step.offset - len(data))
            elif step.what == "write":
                sectors = -(-len(step.data) // SECTOR)
                kept = step.data[: round(share * sectors) * SECTOR]
                at = step.offset
                data += bytes(max(at - len(data), 0)) if kept else b""
                data[at : at + len(kept)] = kept
        return bytes(data)


class Disk:
    """The data folder between the calls: names and contents, synced or not."""

    def __init__(self) -> None:
        self._files: dict[str, _File] = {}
        """As the process sees it now."""
        self._names: dict[str, _File | None] = {}
        """What is on the disk for certain; None: a folder."""
        self._pending: list[tuple[str, _File | None, bool]] = []
        """Changes of names on their way: path, file or folder, there or gone."""
        self._lengths: dict[int, int] = {}

    def apply(self, step: Step) -> None:
        """Do what the process did."""
        if step.what == "create" and step.path not in self._files:
            self._files[step.path] = _File()
            self._pending.append((step.path, self._files[step.path], True))
        elif step.what == "folder":
            self._pending.append((step.path, None, True))
        elif step.what == "move":
            file = self._files.pop(step.path)
            self._files[step.other] = file
            self._pending += [(step.other, file, True), (step.path, file, False)]
        elif step.what == "remove":
            self._pending.append((step.path, self._files.pop(step.path), False))
        elif step.what == "sync":
            self._sync(step.path)
        elif step.what in ("write", "cut") and step.path in self._files:
            self._change(self._files[step.path], step)

    def _change(self, file: _File, step: Step) -> None:
        length = self._lengths.get(id(file), 0)
        if step.what == "write" and step.offset < 0:
            step = step._replace(offset=length)
        end = step.offset + len(step.data)
        self._lengths[id(file)] = end if step.what == "cut" else max(length, end)
        file.pending.append(step)

    def _sync(self, path: str) -> None:
        """A file, a folder, or with "*" all of the file system."""
        if path in self._files:
            self._files[path].sync()
        elif path == "*":
            for file in self._files.values():
                file.sync()
            for change in self._pending:
                _named(self._names, change)
            self._pending = []
        else:
            self._sync_folder("" if path == "." else path)

    def _sync_folder(self, folder: str) -> None:
        late = []
        for change in self._pending:
            if change[0].rpartition("/")[0] == folder:
                _named(self._names, change)
            else:
                late.append(change)
        self._pending = late

    def crash(self, to: Path, part: "Part") -> None:
        """Leave in `to` what the disk may hold after a power cut now."""
        names = dict(self._names)
        for change in self._pending:
            if part(change) >= 0.5:
                _named(names, change)
        to.mkdir()
        for path in sorted(names):
            place = to / path
            if not place.parent.is_dir():
                continue
            file = names[path]
            if file is None:
                place.mkdir()
            else:
                place.write_bytes(file.content(part))


def _named(names: dict[str, _File | None], change: tuple[str, _File | None, bool]) -> None:
    path, file, there = change
    if there:
        names[path] = file
    elif names.get(path, 0) is file:
        del names[path]


class Part:
    """How much of something unsynced has reached the disk: from nothing, 0, to all, 1."""

    def __init__(self, chosen: random.Random) -> None:
        self._random = chosen
        self._mood = chosen.choice(("nothing", "all", "some", "torn"))

    def __call__(self, _: object) -> float:
        if self._mood in ("nothing", "all"):
            return float(self._mood == "all")
        return self._random.random() if self._mood == "torn" else float(self._random.random() < 0.5)


def cut(steps: list[Step], seed: int, crashes: int, folder: Path) -> dict[str, list[str]]:
    """Crash so many times, spread over the record; returns what was broken and where."""
    chosen = random.Random(f"cuts of {seed}")
    moments = sorted(chosen.randrange(len(steps)) for _ in range(crashes))
    plans = [Plan(seed, number) for number in range(STUDIES)]
    disk, lines, done, found = Disk(), list[str](), 0, {}
    for number, moment in enumerate(moments):
        for step in steps[done : moment + 1]:
            if step.what == "told":
                lines += step.data.decode().splitlines()
            disk.apply(step)
        done = moment + 1
        place = folder / f"crash-{number}"
        disk.crash(place, Part(chosen))
        problems = broken(place, plans, lines)
        subprocess.run(["rm", "-rf", str(place)], check=True)
        if problems:
            found[f"crash {number}, after call {moment} ({steps[moment].what})"] = problems
    return found


def _work(folder: Path, seed: int, careless: str) -> None:
    """Under the recorder; careless in one way when asked."""
    from dicom_service.store import blobs, sqlite

    if careless == "fsync":
        real = os.fsync
        os.fsync = lambda fd: real(fd) if os.path.isdir(f"/proc/self/fd/{fd}") else None  # type: ignore[assignment] # noqa: PTH112
    elif careless == "journal":
        os.fdatasync = lambda _: None
    elif careless == "settling":
        blobs.Blobs.sync = lambda *_: None
    elif careless == "folders":
        blobs.sync_folder = lambda _: None
    elif careless == "index":
        sqlite.SYNCHRONOUS = "OFF"
    work(folder, seed, lambda line: os.write(1, f"{line}\n".encode()), STUDIES)  # type: ignore[func-returns-value, arg-type, return-value]


def main() -> int:
    """Record and crash; 1 when a promise was broken."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--crashes", type=int, default=500)
    parser.add_argument("--seed", type=int, default=0)
    parser.add_argument("--careless", default="", choices=["", *CARELESS])
    parser.add_argument("--work", type=Path, help=argparse.SUPPRESS)
    options = parser.parse_args()
    if options.work:
        _work(options.work, options.seed, options.careless)
        return 0
    with tempfile.TemporaryDirectory(prefix="sesamoid-power-", dir=fast()) as folder:
        steps = record(Path(folder) / "recorded", options.seed, options.careless)
        found = cut(steps, options.seed, options.crashes, Path(folder))
    for where, problems in found.items():
        print(f"{where}: {'; '.join(problems)}")
    print(f"{len(steps)} recorded calls, {options.crashes} crashes, {len(found)} broken")
    return 1 if found else 0


def fast() -> str | None:
    """A folder in memory where there is one: the syncs are modelled, not needed."""
    return "/dev/shm" if os.access("/dev/shm", os.W_OK) else None


if __name__ == "__main__":
    sys.exit(main())
