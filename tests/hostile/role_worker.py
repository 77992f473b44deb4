"""One role of a node as a process, until it is killed.

With `careless` it acknowledges what it has not kept yet, as a receiver must not.
"""

import signal
import threading
import time
from multiprocessing.connection import Connection
from pathlib import Path
from typing import Any

from dicom_service.settings import Peer
from dicom_service.store import Store
from tests.node.conftest import Running
from tests.partitions import join
from tests.store.newer import become_newer

LATE_SECONDS = 0.5


def careless(store: Store) -> None:
    """Keep an object half a second after saying that it is kept."""
    accept = store.accept

    def late(temp: Path, *words: object, **options: object) -> None:
        time.sleep(LATE_SECONDS)
        accept(temp, *words, **options)  # type: ignore[arg-type]

    def said(temp: Path, *words: object, **options: object) -> str:
        aside = temp.with_suffix(".late")
        temp.rename(aside)
        threading.Thread(target=late, args=(aside, *words), kwargs=options, daemon=True).start()
        return "new"

    store.accept = said  # type: ignore[method-assign, assignment]


def run(
    given: dict[str, Any],
    line: Connection,
    *,
    is_careless: bool,
    network: str,
    newer: tuple[str, str] | None = None,
) -> None:
    """Run until SIGTERM; `line` is told the port when it has begun.

    Parameters
    ----------
    network
        Where it runs; see `tests.partitions`.
    newer
        Be the next version of the program: a folder, and the kind of its change of the tables.
    """
    join(network)
    if newer is not None:
        become_newer(Path(newer[0]), newer[1])  # type: ignore[arg-type]
    ended = threading.Event()
    signal.signal(signal.SIGTERM, lambda *_: ended.set())
    given = dict(given)
    peers = tuple(Peer(**peer) for peer in given.pop("peers"))
    running = Running(Path(given.pop("folder")), peers=peers, **given)
    if is_careless:
        careless(running.store)
    line.send(running.port)
    ended.wait()
    running.stop()
