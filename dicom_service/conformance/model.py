"""What is asked of a peer and what came of it."""

from pathlib import Path
from typing import Literal

from pydantic import Field

from dicom_service.base import Frozen
from dicom_service.errors import SetupError
from dicom_service.settings import Peer, Settings

Verdict = Literal["PASS", "FAIL", "SKIP"]


class Finding(Frozen):
    """The outcome of one check, in words for somebody who knows PACS but not us."""

    verdict: Verdict
    got: str
    ask: str = ""
    """What to ask the vendor, or to set; "" when nothing is to be done."""


class Result(Finding):
    """A finding with what was looked at."""

    id: str
    group: str
    title: str
    expected: str
    seconds: float = Field(ge=0)


class Target(Frozen):
    """The peer and how it may be examined."""

    peer: Peer
    web: str = ""
    web_headers: tuple[tuple[str, str], ...] = ()
    tls_port: int | None = Field(default=None, ge=1, le=65535)
    tls_authority: Path | None = None
    tls_certificate: Path | None = None
    tls_key: Path | None = None
    report_seconds: float = Field(default=10.0, gt=0)
    """How long a commitment report is waited for."""
    answer_seconds: float = Field(default=10.0, gt=0)
    """How long any other answer is waited for."""
    prompt_seconds: float = Field(default=3.0, gt=0)
    """A C-STORE answer that takes longer than this is called slow."""


def find_peer(text: str, settings: Settings) -> Peer:
    """The peer of the settings with this name, or the one written as host:port:AET.

    Raises
    ------
    SetupError
        Neither.
    """
    known = settings.peer(text)
    if known is not None:
        return known
    host, _, rest = text.rpartition(":")[0].rpartition(":")
    port, title = rest, text.rpartition(":")[2]
    if not host or not port.isdigit() or not 0 < int(port) < 65536 or not 0 < len(title) <= 16:
        names = ", ".join(peer.name for peer in settings.peers) or "none"
        raise SetupError(
            f"'{text}' is no peer of the settings (there: {names}) and not written as "
            "host:port:AETITLE."
        )
    return Peer(name=title, ae_title=title, host=host.strip("[]"), port=int(port))
