"""A node in its roles, each a process of its own, over one database, with trouble in between.

A sender, a reader and an archive are the witnesses: what they were told is what must be there.
"""

import itertools
import multiprocessing
import random
import threading
import time
from collections.abc import Callable, Sequence
from datetime import UTC, datetime
from functools import partial
from pathlib import Path

from pydicom import Dataset, dcmread
from pynetdicom import AE

from dicom_service.errors import SesamoidError
from dicom_service.review.model import Reading
from dicom_service.store import Store
from test_pacs.archive import Archive
from tests.hostile import role_worker
from tests.node.conftest import CR, Running, image, wait_for
from tests.partitions import network
from tests.peers import free_port

_FORKS = multiprocessing.get_context("forkserver")
_FORKS.set_forkserver_preload([role_worker.__name__])  # the imports take longest, so they come once
LEASE, PEER = 1.0, 0.15
"""Seconds of a preparation's lease, and of waiting for the archive: a delivery has 34 of these."""
CALM = 60.0
"""After the trouble everything must be done within this; it only bounds a failure."""


class Role:
    """A process that is started again when it was killed."""

    def __init__(self, role: str, given: dict[str, object], *, careless: bool) -> None:
        self.role, self._careless = role, careless
        self.port = free_port() if role == "receive" else 0
        self._given = given | {"roles": (role,), "dimse_port": self.port}
        self.start()

    def start(self, newer: tuple[str, str] | None = None) -> None:
        """Start it; `ready` waits. `newer`: as the next version, see `role_worker.run`."""
        self._line, theirs = _FORKS.Pipe(duplex=False)
        self.process = _FORKS.Process(
            target=role_worker.run,
            args=(self._given, theirs),
            kwargs={"is_careless": self._careless, "network": network(), "newer": newer},
            daemon=True,
        )
        self.process.start()
        theirs.close()

    def ready(self) -> None:
        """Until it has begun."""
        assert self._line.poll(CALM), f"{self.role} does not start"
        self._line.recv()

    def leave(self) -> None:
        """As it is told to stop: what is in hand is finished."""
        self.process.terminate()
        self.process.join(CALM)
        assert self.process.exitcode == 0, f"{self.role} does not stop"
        self._line.close()

    def kill(self) -> None:
        """As a power cut does."""
        self.process.kill()
        self.process.join(20)
        self._line.close()


class Witnesses:
    """What was promised: objects acknowledged, readings saved, reports signed."""

    def __init__(self) -> None:
        self.kept: dict[str, Dataset] = {}
        self.saved: dict[str, str] = {}
        self.signed: dict[str, str] = {}


class Cluster:
    """Processes of these roles; the pages are the store of this process.

    Parameters
    ----------
    url
        Of the database.
    careless
        Whether the receivers acknowledge too early.
    """

    def __init__(
        self,
        folder: Path,
        url: str,
        seed: int,
        *,
        roles: Sequence[str] = ("receive", "receive", "settle", "settle", "send"),
        careless: bool = False,
    ) -> None:
        self.archive = Archive(folder / "archive").start()
        peer = {"name": "archive", "ae_title": self.archive.ae_title, "port": self.archive.port}
        self._given: dict[str, object] = {
            "folder": str(folder), "index_url": url, "archive": "archive",
            "peers": [peer | {"commitment": True}], "settle_seconds": 0.3, "lease_seconds": LEASE,
            "peer_timeout_seconds": PEER, "commitment_seconds": 1.0,
        }  # fmt: skip
        self.url = url
        self.random = random.Random(seed)
        self.told = Witnesses()
        self._studies = itertools.count()
        self.roles = [Role(role, self._given, careless=careless) for role in roles]
        self.store = Store(folder / "node", index_url=url)
        self.ports = [role.port for role in self.roles if role.port]
        self.archive.peers["SESAMOID"] = ("127.0.0.1", self.ports[0])
        self.failed: list[BaseException] = []
        self.refused: list[str] = []
        """What a sender or a reader was answered when it was not done at once."""
        self.calls: dict[int, int] = {}
        """Senders that are at a port now."""
        self._calling = threading.Lock()
        for role in self.roles:
            role.ready()

    def close(self) -> None:
        """End all."""
        for role in self.roles:
            role.kill()
        self.store.close()
        self.archive.stop()

    def work(self, studies: int, trouble: Callable[[], None]) -> None:
        """Send, read and sign so many studies while `trouble` goes on."""
        numbers = [next(self._studies) for _ in range(studies)]
        made = [[image(study=f"1.2.9.{n}", InstanceNumber=i) for i in range(3)]
                for n in numbers]  # fmt: skip
        jobs = [threading.Thread(target=self._way, args=(study,), daemon=True) for study in made]
        for job in jobs:
            job.start()
        trouble()
        until = time.monotonic() + CALM
        for job in jobs:
            job.join(max(until - time.monotonic(), 0.1))
        assert not [job for job in jobs if job.is_alive()], "the work does not end"
        if self.failed:
            raise self.failed[0]

    def replace(self, role: Role, newer: tuple[str, str] | None = None) -> None:
        """Start a role anew, as an update does it: a balancer calls it no more, it ends."""
        if role.port:
            with self._calling:
                self.ports.remove(role.port)
            wait_for(lambda: not self.calls.get(role.port), CALM)
        role.leave()
        role.start(newer)
        role.ready()
        if role.port:
            self.ports.append(role.port)

    def delivered(self) -> None:
        """Until the archive keeps every report."""
        for study in self.told.signed:
            wait_for(partial(self._is, study, delivery="committed"), CALM)

    def _is(self, study: str, **wanted: str) -> bool:
        row = self.store.study(study)
        return all(getattr(row, name) == value for name, value in wanted.items())

    def _way(self, study: list[Dataset]) -> None:
        try:
            for made in study:
                self._until_true(partial(self.send, made))
                self.told.kept[made.SOPInstanceUID] = made
            uid = str(study[0].StudyInstanceUID)
            self._until_true(partial(self._is, uid, state="waiting"))
            for version in range(3):
                self._until_true(partial(self._save, uid, f"{uid} in version {version}"))
            self._until_true(partial(self._sign, uid))
        except BaseException as error:  # noqa: BLE001 - raised by `work`
            self.failed.append(error)

    def _until_true(self, action: Callable[[], object]) -> None:
        """As senders and readers do: what was not acknowledged is tried again."""
        until = time.monotonic() + CALM
        while True:
            try:
                if action():
                    return
            except SesamoidError as error:
                self.refused.append(str(error))
            except AttributeError:
                pass  # nothing of the study has arrived
            assert time.monotonic() < until, "it is never acknowledged"
            time.sleep(0.05)

    def send(self, made: Dataset) -> bool:
        entity = AE("CAMERA")
        entity.acse_timeout = entity.dimse_timeout = entity.network_timeout = 20
        entity.add_requested_context(CR, made.file_meta.TransferSyntaxUID)
        with self._calling:
            port = self.random.choice(self.ports)
            self.calls[port] = self.calls.get(port, 0) + 1
        try:
            return self._send(entity, port, made)
        finally:
            with self._calling:
                self.calls[port] -= 1

    def _send(self, entity: AE, port: int, made: Dataset) -> bool:
        association = entity.associate("127.0.0.1", port, ae_title="SESAMOID")
        if not association.is_established:
            how = "rejected" if association.is_rejected else "not answered or broken off"
            self.refused.append(f"no association with {port}: {how}")
            return False
        try:
            status = association.send_c_store(made).get("Status")
        except RuntimeError:
            status = None
        else:
            if status == 0:
                return True
        finally:
            association.abort()
        self.refused.append(f"status {status}")
        return False

    def _save(self, uid: str, text: str) -> bool:
        version, reading = self.store.reading(uid)
        if reading.impression != text:  # else it was kept, and the answer was lost
            self.store.save_reading(
                uid, Reading(impression=text), expected=version, user="ida", at=datetime.now(UTC)
            )
        self.told.saved[uid] = text
        return True

    def _sign(self, uid: str) -> bool:
        report = [d.sop_instance_uid for d in self.store.documents(uid) if d.role == "report"]
        if not report:
            report = [Running.sign(_Pages(self.store), uid, expected=self.store.reading(uid)[0])]
        self.told.signed[uid] = report[0]
        return True


class _Pages:
    """As much of a node as signing needs."""

    def __init__(self, store: Store) -> None:
        self.store, self.settings, self.node = store, self, self
        self.archive = "archive"

    def wake(self) -> None:
        """The database wakes the senders."""


def broken(cluster: Cluster) -> list[str]:
    """Which promises are not kept, when all roles have stopped troubling and all is delivered."""
    found = _objects(cluster) + _reports(cluster)
    for study, text in cluster.told.saved.items():
        if cluster.store.reading(study)[1].impression != text:
            found.append(f"reading of {study} was saved and is not there")
    if why := cluster.store.audit_verify().why:
        found.append(why)
    return found


def _objects(cluster: Cluster) -> list[str]:
    store, found = cluster.store, []
    stored = {i.sop_instance_uid: i for s in store.studies() for i in store.instances(s.study_uid)}
    for uid, made in cluster.told.kept.items():
        if uid not in stored:
            found.append(f"object {uid} was acknowledged and is not there")
            continue
        there = dcmread(stored[uid].path)
        if there != made or there.PixelData != made.PixelData:
            found.append(f"object {uid} is not what was sent")
    return found + [f"{uid} has no file" for uid, i in stored.items() if not i.path.is_file()]


def _reports(cluster: Cluster) -> list[str]:
    store, found = cluster.store, []
    archived = [str(d.SOPInstanceUID) for d in cluster.archive.stored()]
    for study, report in cluster.told.signed.items():
        papers = [d.sop_instance_uid for d in store.documents(study) if d.role == "report"]
        if papers != [report]:
            found.append(f"{study} has the reports {papers}, signed was {report}")
        if archived.count(report) != 1:
            found.append(f"the archive has {archived.count(report)} of report {report}")
        if {row.state for row in store.outbox(study)} != {"committed"}:
            found.append(f"report {report} is owed after all was delivered")
    return found
