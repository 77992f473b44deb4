"""What an event of the audit trail is in the words of PS3.15 A.5."""

from functools import cache
from importlib import resources
from typing import Literal, NamedTuple

import yaml


class Meaning(NamedTuple):
    """One event as DICOM audit messages know it."""

    id: tuple[str, str]
    """Code (scheme DCM) and meaning."""
    type: tuple[str, str] | None
    action: Literal["C", "R", "U", "D", "E"]
    outcome: int
    """0 success, 4 minor failure, 8 serious failure."""
    peer: Literal["", "from", "to"]
    """Whether the detail begins with the name of who sent or receives."""


@cache
def meanings() -> dict[str, Meaning]:
    """Event name -> meaning, as in events.yaml."""
    text = resources.files(__package__).joinpath("events.yaml").read_text("utf-8")
    data = yaml.safe_load(text)
    return {
        name: Meaning(
            tuple(data["ids"][kind]),
            tuple(data["types"][type_]) if type_ else None,
            action,
            outcome,
            peer,
        )
        for name, (kind, type_, action, outcome, peer) in data["events"].items()
    }


UNKNOWN = Meaning(("110100", "Application Activity"), None, "E", 0, "")
"""Of an event that a newer or older program wrote."""
