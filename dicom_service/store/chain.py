"""The seals of the audit trail: each holds the digest of its event and of the seal before it.

Whoever changes, adds or removes an event later must make every seal after it anew, and a single
digest that was kept elsewhere (a syslog server, a printed page) then tells.
"""

import hashlib
import json
from collections.abc import Sequence
from typing import Any

from sqlalchemy import Connection, insert, select

from dicom_service.store.schema import audit_seals

START = "0" * 64
"""What the first seal holds in the place of the one before it."""


def digest_of(before: str, row: Any) -> str:
    """SHA-256 of an event and the seal before it."""
    said = [before, row.id, row.at, row.event, row.user, row.study_uid, row.detail]
    if getattr(row, "site", ""):  # events from before there were sites keep their seals
        said.append(row.site)
    text = json.dumps(said, ensure_ascii=True, separators=(",", ":"))
    return hashlib.sha256(text.encode()).hexdigest()


def seal(connection: Connection, rows: Sequence[Any]) -> None:
    """Seal the newest events, as they stand there, in the transaction that wrote them."""
    query = select(audit_seals.c.digest).order_by(audit_seals.c.audit_id.desc()).limit(1)
    before = connection.execute(query).scalar() or START
    seals = []
    for row in rows:
        before = digest_of(before, row)
        seals.append({"audit_id": row.id, "digest": before})
    connection.execute(insert(audit_seals), seals)
