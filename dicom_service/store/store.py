"""The store: all its parts under one name, and the sweep at start."""

from sqlalchemy import select, update

from dicom_service.errors import SetupError
from dicom_service.store.accounts import Accounts
from dicom_service.store.audit import Audit
from dicom_service.store.documents import Documents
from dicom_service.store.home import INCOMING
from dicom_service.store.identities import Identities
from dicom_service.store.leases import Leases
from dicom_service.store.listing import Listing
from dicom_service.store.locking import sweep_rooms
from dicom_service.store.model import SweepReport
from dicom_service.store.objects import Objects
from dicom_service.store.outbox import Outbox
from dicom_service.store.overview import Overviews
from dicom_service.store.peers import AddedPeers
from dicom_service.store.preferences import AccountPreferences
from dicom_service.store.priors import Priors
from dicom_service.store.quarantine import Quarantine
from dicom_service.store.readings import Readings
from dicom_service.store.reopening import Reopenings
from dicom_service.store.resettling import Resettling
from dicom_service.store.retention import Retention
from dicom_service.store.schema import documents, instances, quarantine, studies


class Store(
    Objects,
    Quarantine,
    Retention,
    Listing,
    Readings,
    Reopenings,
    Resettling,
    Documents,
    Outbox,
    Priors,
    Leases,
    Accounts,
    AddedPeers,
    Identities,
    AccountPreferences,
    Audit,
    Overviews,
):
    """An open data folder; every method may be called from any thread.

    The parts are in modules of their own: objects, quarantine, retention, studies, readings,
    reopening, resettling, documents, outbox, priors, leases, users, accounts, peers, identities,
    preferences, audit, overview. `Shelf` (opening.py) opens and closes the folder.
    """

    def sweep(self) -> SweepReport:
        """Tidy up after whatever ended the last run; call before anything is received.

        Beside other nodes on this folder only the temporary files of nodes that are no more are
        removed: the rest that looks left over may be theirs.

        Raises
        ------
        SetupError
            The store was opened beside a running node, or its index is damaged.
        """
        if not self.exclusive:
            raise SetupError("Only the node itself may sweep its data folder.")
        self._index.examine()
        temporary = sweep_rooms(self.folder, self.folder / INCOMING) if self.shared else 0
        with self._only_node() as alone:
            return self._swept(temporary) if alone else SweepReport(temporary_files=temporary)

    def _swept(self, temporary: int) -> SweepReport:
        # Not only in a room of our own: nodes of an earlier program, and commands, have none.
        for file in {*self.incoming.iterdir(), *(self.folder / INCOMING).iterdir()}:
            if file.is_file():
                file.unlink()
                temporary += 1
        known, expected, hidden = self.known_blobs()
        found = set(self._blobs.names())
        lost = self._blobs.lost(expected - found)
        for name in found - known:
            self._blobs.set_aside(name, self.folder / "set-aside")
        with self._index.write() as connection:
            for name in lost:
                connection.execute(
                    update(instances).where(instances.c.blob == name).values(missing=True)
                )
            for name in found & hidden:  # not dropped after all, or back with its disk
                connection.execute(
                    update(instances).where(instances.c.blob == name).values(missing=False)
                )
            retried = connection.execute(
                update(studies).where(studies.c.state == "failed").values(state="arriving")
            ).rowcount
        if not self.shared or self.in_bucket is None:
            self.release_outbox()  # else nodes with folders of their own may be at it
        return SweepReport(
            temporary_files=temporary,
            blobs_without_rows=len(found - known),
            rows_without_blobs=len(lost),
            retried=retried,
        )

    def known_blobs(self) -> tuple[set[str], set[str], set[str]]:
        """Blobs that any row names, those that must be there, and those that need not be."""
        with self._index.read() as connection:
            stored = connection.execute(select(instances.c.blob, instances.c.missing)).all()
            others = {
                name
                for table in (documents, quarantine)
                for name in connection.execute(select(table.c.blob)).scalars()
            }
        present = {row.blob for row in stored if not row.missing}
        named = {row.blob for row in stored}
        return named | others, present, named - present
