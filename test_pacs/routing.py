"""Routing rules: a worker that forwards stored objects to other application entities."""

import logging
import queue
import threading
from collections.abc import Callable, Iterable
from dataclasses import dataclass, field

from pydicom import Dataset
from pynetdicom import AE, build_context
from pynetdicom.presentation import PresentationContext

from test_pacs.catalog import Entry

_LOG = logging.getLogger(__name__)
MOST_CONTEXTS = 128
"""Presentation contexts that one association can carry (PS3.8: odd identifiers 1 to 255)."""


def always(_header: Dataset) -> bool:
    """The rule that forwards everything."""
    return True


@dataclass(frozen=True)
class Route:
    """Where to forward the objects whose header satisfies `rule`."""

    ae_title: str
    host: str
    port: int
    rule: Callable[[Dataset], bool] = field(default=always)


@dataclass(frozen=True)
class Delivery:
    """The outcome of forwarding one object."""

    sop_instance_uid: str
    ae_title: str
    status: int | None
    """The DIMSE status of the receiver; None: no association, or no answer."""

    @property
    def ok(self) -> bool:
        """Whether the receiver has the object (success or warning)."""
        return self.status is not None and (self.status == 0 or self.status >> 12 == 0xB)


def contexts_for(entries: Iterable[Entry]) -> list[PresentationContext]:
    """One presentation context for each pair of class and transfer syntax as stored."""
    pairs = dict.fromkeys((e.sop_class_uid, e.transfer_syntax_uid) for e in entries)
    return [build_context(*pair) for pair in list(pairs)[:MOST_CONTEXTS]]


def send(ae: AE, route: Route, entries: list[Entry]) -> list[Delivery]:
    """Send stored objects as they are, without decoding their pixels, on one association."""
    association = ae.associate(
        route.host, route.port, ae_title=route.ae_title, contexts=contexts_for(entries)
    )
    statuses: list[int | None] = []
    for entry in entries:
        status = None
        if association.is_established:
            try:
                answer = association.send_c_store(entry.path)
                status = int(answer.Status) if "Status" in answer else None
            except ValueError as error:  # this class or transfer syntax was not accepted
                _LOG.warning("%s was not sent to %s: %s", entry.path, route.ae_title, error)
                status = 0x0122
        statuses.append(status)
    if association.is_established:
        association.release()
    return [
        Delivery(entry.sop_instance_uid, route.ae_title, status)
        for entry, status in zip(entries, statuses, strict=True)
    ]


class Router:
    """Forwards in the background, retrying while the receiver is away.

    Parameters
    ----------
    ae
        Whose title is the calling one.
    collect_seconds
        How long to wait for further objects, so that one association carries them.
    retry_seconds
        How long to wait before an object that found no receiver is tried again.
    """

    def __init__(self, ae: AE, *, collect_seconds: float = 0.1, retry_seconds: float = 1.0) -> None:
        self._ae = ae
        self._collect = collect_seconds
        self._retry = retry_seconds
        self._work: queue.Queue[tuple[Route, Entry]] = queue.Queue()
        self._owed = 0
        self._idle = threading.Condition()
        self._stop = threading.Event()
        self._thread = threading.Thread(target=self._run, name="archive router", daemon=True)
        self.deliveries: list[Delivery] = []

    def start(self) -> None:
        """Begin to forward."""
        self._thread.start()

    def stop(self) -> None:
        """Stop after the association that is open; what is still owed is dropped."""
        self._stop.set()
        if self._thread.is_alive():
            self._thread.join()

    def add(self, route: Route, entries: Iterable[Entry]) -> None:
        """Owe these objects to `route`."""
        for entry in entries:
            with self._idle:
                self._owed += 1
            self._work.put((route, entry))

    def wait(self, timeout: float) -> bool:
        """Wait until nothing is owed; False when that takes longer than `timeout` seconds."""
        with self._idle:
            return self._idle.wait_for(lambda: self._owed == 0, timeout)

    def _run(self) -> None:
        while not self._stop.is_set():
            for route, entries in self._batches().items():
                outcome = send(self._ae, route, entries)
                self.deliveries.extend(outcome)
                again = [e for e, d in zip(entries, outcome, strict=True) if d.status is None]
                if again and not self._stop.wait(self._retry):
                    for entry in again:
                        self._work.put((route, entry))
                with self._idle:
                    self._owed -= len(entries) - len(again)
                    self._idle.notify_all()

    def _batches(self) -> dict[Route, list[Entry]]:
        batches: dict[Route, list[Entry]] = {}
        try:
            route, entry = self._work.get(timeout=0.1)
            batches[route] = [entry]
            while True:
                route, entry = self._work.get(timeout=self._collect)
                batches.setdefault(route, []).append(entry)
        except queue.Empty:
            return batches
