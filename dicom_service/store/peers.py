"""Peers that an administrator has added on the page, beside those of the settings file.

What a peer is, the settings know; here it is text under its name.
"""

from datetime import datetime

from sqlalchemy import delete, insert, select

from dicom_service.errors import NotFound
from dicom_service.store import audit
from dicom_service.store.index import retried
from dicom_service.store.opening import Shelf
from dicom_service.store.schema_accounts import added_peers
from dicom_service.store.times import to_us


class AddedPeers(Shelf):
    """Kept peers, each with an entry in the audit trail for every change."""

    def added_peers(self) -> list[str]:
        """All of them, as they were given, by name."""
        query = select(added_peers.c.said).order_by(added_peers.c.name)
        with self._index.read() as connection:
            return list(connection.execute(query).scalars())

    @retried
    def put_peer(
        self, name: str, said: str, *, detail: str, by: str, at: datetime, site: str = ""
    ) -> None:
        """Add a peer, or change the one of that name; `name` begins with that of its site."""
        key = added_peers.c.name == name
        with self._index.write(f"peer {name}") as connection:
            known = connection.execute(select(added_peers.c.name).where(key)).first()
            if known:
                connection.execute(added_peers.update().where(key).values(said=said))
            else:
                connection.execute(insert(added_peers).values(name=name, said=said))
            event = "peer changed" if known else "peer added"
            audit.note(connection, event, at_us=to_us(at), user=by, detail=detail, site=site)

    @retried
    def remove_peer(self, name: str, *, by: str, at: datetime, site: str = "") -> None:
        """Forget a peer.

        Raises
        ------
        NotFound
            No such peer was added.
        """
        with self._index.write(f"peer {name}") as connection:
            gone = connection.execute(delete(added_peers).where(added_peers.c.name == name))
            if gone.rowcount == 0:
                raise NotFound(f"No peer {name.rpartition('/')[2]} was added here.")
            event = "peer removed"
            audit.note(connection, event, at_us=to_us(at), user=by, detail=name, site=site)
