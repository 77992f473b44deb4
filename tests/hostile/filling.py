"""A full or read-only disk at each call that writes, one after the other.

    python -m tests.hostile.filling [--call pwrite64] [--error EROFS] [--every 1] [--for-good]

`strace` lets one kind of call fail with an error, three times in a row or from then on. The job
runs once for each moment at which that can happen. A failure must be said as a refusal that the
other side may repeat; what was promised before must hold, and once the disk has room again the
job must come to its end.
"""

import argparse
import contextlib
import logging
import os
import socket
import subprocess
import sys
import tempfile
import traceback
from collections.abc import Callable
from pathlib import Path

from dicom_service.errors import SetupError, TryLater
from dicom_service.store import Store
from tests.hostile.invariants import broken, unfinished
from tests.hostile.job import Job, Plan, journaled
from tests.hostile.power import fast

CALLS = ("write", "pwrite64", "pwritev2", "fsync", "fdatasync", "rename", "mkdir")
_AT = 2000
"""The call of each process that fails: each makes so many useless ones that it is the right one."""
_LONGEST = 1990
"""More moments than any call of the job has; below `_AT`."""
_TRIES = 12
SEED, STUDIES = 11, 1


def _useless(call: str, handle: int) -> Callable[[], object]:
    return {
        "write": lambda: os.write(handle, b""),
        "pwrite64": lambda: os.pwrite(handle, b"", 0),
        "pwritev2": lambda: os.pwritev(handle, [b""], 0),
        "fsync": lambda: os.fsync(handle),
        "fdatasync": lambda: os.fdatasync(handle),
        "rename": lambda: os.rename("/proc/nothing", "/proc/nothing2"),  # noqa: PTH104
        "mkdir": lambda: os.mkdir("/proc"),  # noqa: PTH102
    }[call]


def _spend(call: str, number: int) -> None:
    """Make so many useless calls that the `number`-th real one is the one that fails."""
    handle = os.open("/dev/null", os.O_WRONLY)
    useless = _useless(call, handle)
    for _ in range(_AT - number):
        with contextlib.suppress(OSError):
            useless()
    os.close(handle)


def _work(folder: Path, call: str, number: int, say: Callable[[str], None]) -> int:
    """Do the job with patience; returns how often something was refused or put off for now."""
    put_off = _Counter()
    logging.getLogger("dicom_service.store.backlog").addHandler(put_off)
    return _work_patiently(folder, call, number, say) + put_off.count


class _Counter(logging.Handler):
    """Counts what the journal says that it could not do yet: nobody is refused for that."""

    count = 0

    def emit(self, record: logging.LogRecord) -> None:
        """Count."""
        self.count += 1


def _work_patiently(folder: Path, call: str, number: int, say: Callable[[str], None]) -> int:
    _spend(call, number)
    refused = 0
    for _ in range(_TRIES):
        try:
            store = Store(folder)
        except SetupError:  # it says so and does not start
            refused += 1
            continue
        try:
            store.sweep()
            journaled(store)
            Job(store, SEED, say, STUDIES).run()
            return refused
        except TryLater:
            refused += 1
        finally:
            with contextlib.suppress(TryLater):
                store.close()
    return refused


def _in_a_process(task: Callable[[Callable[[str], None]], object]) -> tuple[int, list[str]]:
    """Run it forked; returns its exit status and what it said (through a socket, not `write`)."""
    ours, theirs = socket.socketpair()
    child = os.fork()
    if child == 0:
        code = 1
        try:
            code = 0 if task(lambda line: theirs.send(f"{line}\n".encode())) is not False else 1
        except BaseException as error:  # noqa: BLE001 - the parent is told
            theirs.send(f"error {type(error).__name__}: {error}\n".encode())
            traceback.print_exc()
        finally:
            os._exit(code)
    theirs.close()
    heard = b""
    while part := ours.recv(1 << 16):
        heard += part
    ours.close()
    _, status = os.waitpid(child, 0)
    return os.waitstatus_to_exitcode(status), heard.decode().splitlines()


def _one(call: str, number: int, folder: Path, for_good: bool) -> tuple[bool, list[str]]:
    """One moment; returns whether anything failed at all, and what was broken."""
    plans = [Plan(SEED, number) for number in range(STUDIES)]

    def task(say: Callable[[str], None]) -> None:
        say(f"refused {_work(folder, call, number, say)}")

    status, lines = _in_a_process(task)
    told = [line for line in lines if not line.startswith(("refused", "error"))]

    def check(say: Callable[[str], None]) -> None:
        for problem in broken(folder, plans, told):
            say(problem)
        for problem in () if for_good else unfinished(folder, plans, told):
            say(problem)

    checked, problems = _in_a_process(check)
    problems += [line for line in lines if line.startswith("error")]
    if (status or checked) and not problems:
        problems.append(f"exit status {status or checked}")
    return "refused 0" not in lines, problems


def _inside(call: str, every: int, first: int, for_good: bool) -> None:
    """Under the injector: all moments of one call; says what was broken, and how many."""
    failed = moments = 0
    for number in range(first, _LONGEST, every):
        with tempfile.TemporaryDirectory(prefix="sesamoid-full-", dir=fast()) as folder:
            happened, problems = _one(call, number, Path(folder) / "data", for_good)
        if problems:
            failed += 1
            _out(f"{call} {number}: {'; '.join(problems)}")
        if not happened:  # so many calls are not made: all moments have been
            break
        moments += 1
    else:
        failed += 1
        _out(f"{call}: has more than {_LONGEST} moments; the others were not tried")
    _out(f"{call}: {moments} moments, {failed} broken")


def _out(line: str) -> None:
    with socket.socket(fileno=os.dup(1)) as out:
        out.send(f"{line}\n".encode())


def fill(
    call: str, *, every: int = 1, first: int = 1, error: str = "ENOSPC", for_good: bool = False
) -> str:
    """Let every `every`-th call of a job fail, each in a run of its own; returns what was said."""
    window = f"{_AT}+" if for_good else f"{_AT}..{_AT + 2}"
    command = [
        "strace", "-f", "-qq", "-o", "/dev/null", "--seccomp-bpf", "-e", f"trace={call}",
        "-e", f"inject={call}:error={error}:when={window}", sys.executable, "-m",
        "tests.hostile.filling", "--inside", "--call", call, "--every", str(every),
        "--first", str(first), *(["--for-good"] if for_good else []),
    ]  # fmt: skip
    ours, theirs = socket.socketpair()  # `write` may fail, so it is spoken through a socket
    environment = os.environ | {"PYTHONDONTWRITEBYTECODE": "1"}
    with subprocess.Popen(command, stdout=theirs.fileno(), env=environment):
        theirs.close()
        heard = b""
        while part := ours.recv(1 << 16):
            heard += part
    ours.close()
    return heard.decode()


def main() -> int:
    """All moments of all calls; 1 when a promise was broken."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--call", choices=CALLS, help="only this one")
    parser.add_argument("--error", default="ENOSPC")
    parser.add_argument("--every", type=int, default=1)
    parser.add_argument("--first", type=int, default=1)
    parser.add_argument("--for-good", action="store_true", help="it goes on failing")
    parser.add_argument("--inside", action="store_true", help=argparse.SUPPRESS)
    options = parser.parse_args()
    if options.inside:
        _inside(options.call, options.every, options.first, options.for_good)
        return 0
    whole = ""
    for call in [options.call] if options.call else CALLS:
        said = fill(
            call,
            every=options.every,
            first=options.first,
            error=options.error,
            for_good=options.for_good,
        )
        print(said, end="", flush=True)
        whole += said
    return 1 if whole.count(" 0 broken") != whole.count(" broken") else 0


if __name__ == "__main__":
    sys.exit(main())
