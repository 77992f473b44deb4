"""What must hold after any end, held against what the witnesses were told."""

from collections.abc import Iterable, Iterator
from pathlib import Path

from dicom_service.errors import SetupError
from dicom_service.store import Store
from tests.hostile.job import Plan, digest, image_bytes, paper_bytes, reading_text


class Told:
    """The witnesses' lines, sorted by what they say."""

    def __init__(self, lines: Iterable[str]) -> None:
        self.stored: dict[str, str] = {}
        self.aside: set[str] = set()
        self.saved: dict[str, int] = {}
        self.prepared: set[str] = set()
        self.signed: dict[str, set[str]] = {}
        self.taken: dict[str, set[str]] = {}
        self.committed: set[str] = set()
        for line in lines:
            word, *rest = line.split()
            if word == "stored":
                self.stored[rest[0]] = rest[1]
            elif word == "aside":
                self.aside.add(rest[0])
            elif word == "saved":
                self.saved[rest[0]] = max(int(rest[1]), self.saved.get(rest[0], 0))
            elif word == "prepared":
                self.prepared.add(rest[0])
            elif word == "signed":
                self.signed.setdefault(rest[0], set()).add(rest[1])
            elif word == "taken":
                self.taken.setdefault(rest[0], set()).add(rest[1])
            elif word == "committed":
                self.committed.add(rest[0])


def broken(folder: Path, plans: list[Plan], lines: Iterable[str]) -> list[str]:
    """Which promises the folder does not keep; the sweep of a start is part of the keeping."""
    told = Told(lines)
    try:
        store = Store(folder)
    except SetupError as error:
        return [f"the folder cannot be opened: {error}"]
    try:
        report = store.sweep()
        found = list(_visible(store, plans))
        for plan in plans:
            found += _promised(store, plan, told)
        if report.rows_without_blobs:
            found.append(f"{report.rows_without_blobs} rows have no file")
        if list(store.incoming.iterdir()):
            found.append("temporary files are left")
    except SetupError as error:
        return [f"the folder cannot be used: {error}"]
    finally:
        store.close()
    return found


def unfinished(folder: Path, plans: list[Plan], lines: Iterable[str]) -> list[str]:
    """What is not as it should be when the job has ended: all delivered, each document once."""
    told = Told(lines)
    found = []
    store = Store(folder)
    try:
        for plan in plans:
            row = store.study(plan.study)
            if row is None or row.state != "signed" or row.delivery != "committed":
                found.append(f"{plan.study} did not come to its end")
            for uid in plan.papers:
                if told.taken.get(uid) != {digest(paper_bytes(uid))}:
                    found.append(f"the archive has not exactly one {uid}")
    finally:
        store.close()
    return found


def _visible(store: Store, plans: list[Plan]) -> Iterator[str]:
    """Nothing is half there: what the store shows is whole."""
    for plan in plans:
        for shown in store.instances(plan.study):
            own = shown.sop_instance_uid in (*plan.papers, plan.template)
            right = (paper_bytes if own else image_bytes)(shown.sop_instance_uid)
            if not shown.path.is_file():
                yield f"{shown.sop_instance_uid} is shown and has no file"
            elif shown.path.read_bytes() != right:
                yield f"{shown.sop_instance_uid} is shown with other bytes"
        row = store.study(plan.study)
        papers = {document.sop_instance_uid for document in store.documents(plan.study)}
        signed = {plan.report, plan.measurements} & papers
        if len(signed) == 1:
            yield f"{plan.study} has half of its report"
        if bool(signed) != (row is not None and row.state == "signed"):
            yield f"{plan.study} is signed and not signed"
        owed = {delivery.sop_instance_uid for delivery in store.outbox(plan.study)}
        if set(plan.papers) & papers != owed:
            yield f"{plan.study} does not owe exactly what was signed"


def _promised(store: Store, plan: Plan, told: Told) -> Iterator[str]:
    kept = {shown.sop_instance_uid for shown in store.instances(plan.study)}
    for uid in set(plan.images) & set(told.stored):
        if uid not in kept:
            yield f"{uid} was acknowledged and is gone"
    aside = {row.sop_instance_uid for row in store.quarantined()}
    for uid in set(plan.images) & told.aside:
        if uid not in aside:
            yield f"the other copy of {uid} was said to be kept and is gone"
    yield from _reading_kept(store, plan, told)
    yield from _papers_kept(store, plan, told)


def _reading_kept(store: Store, plan: Plan, told: Told) -> Iterator[str]:
    row = store.study(plan.study)
    if plan.study in told.prepared and (row is None or not row.template_revision):
        yield f"the template of {plan.study} is gone"
    if plan.study in told.saved and row is None:
        yield f"{plan.study} was saved and is gone"
    elif plan.study in told.saved:
        version, reading = store.reading(plan.study)
        if version < told.saved[plan.study]:
            yield f"version {told.saved[plan.study]} of {plan.study} was saved and is gone"
        if reading.impression != reading_text(plan.study, version):
            yield f"version {version} of {plan.study} is not what was entered"


def _papers_kept(store: Store, plan: Plan, told: Told) -> Iterator[str]:
    states = {delivery.sop_instance_uid: delivery.state for delivery in store.outbox(plan.study)}
    for uid in told.signed.get(plan.study, ()):
        if uid not in states:
            yield f"{uid} was signed and is neither owed nor delivered"
    for uid, state in states.items():
        if state == "committed" and uid not in told.taken:
            yield f"{uid} counts as delivered and the archive never had it"
    for uid in set(plan.papers) & told.committed:
        if states.get(uid) != "committed":
            yield f"{uid} was committed and that is forgotten"
