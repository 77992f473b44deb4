"""The errors of Sesamoid, by what the other side can do about them.

SesamoidError
 ├─ Refused          the request is wrong; sending it again will not help
 │   ├─ BadObject        not DICOM, truncated, or without the identifiers we need
 │   ├─ NotFound         no such study, image, document or page
 │   ├─ OtherSite        an object that the site it was sent to cannot have
 │   ├─ NotAllowed       signed out, wrong role, wrong password, unknown peer
 │   └─ NotReady         the reading or document is not in a state that allows this
 ├─ Conflict         somebody else was first; look, then decide
 │   ├─ VersionConflict  the reading was changed by another tab or reader
 │   └─ DifferentBytes   the same SOP Instance UID with other content
 ├─ TryLater         our side cannot do it now
 │   ├─ StorageFull      the data folder has no room
 │   ├─ StoreAway        the object store does not answer, or has not kept what it said
 │   └─ PeerAway         the archive or another peer does not answer
 └─ SetupError       the installation must be changed by a person

`OUTCOMES` maps each to the DIMSE status, the HTTP status and the advice that a person sees.
"""

import errno
from typing import NamedTuple


class SesamoidError(Exception):
    """The base: `str(error)` says what is wrong and where, in one sentence."""


class Refused(SesamoidError):
    """The request is wrong; sending it again will not help."""


class BadObject(Refused):
    """Not a usable DICOM object."""


class NotFound(Refused):
    """No such thing here."""


class OtherSite(Refused):
    """An object that cannot be kept for the site it was sent to; it says nothing of others."""


class NotAllowed(Refused):
    """The caller may not do this."""


class NotReady(Refused):
    """The reading or document is not in a state that allows this."""


class Conflict(SesamoidError):
    """Somebody else was first."""


class VersionConflict(Conflict):
    """The reading was saved by another tab or reader since the caller loaded it."""

    def __init__(self, message: str, current: int) -> None:
        super().__init__(message)
        self.current = current


class DifferentBytes(Conflict):
    """An object with this SOP Instance UID is here already, with other content."""


class TryLater(SesamoidError):
    """Our side cannot do it now."""


class StorageFull(TryLater):
    """The data folder has no room or cannot be written."""


class StoreAway(TryLater):
    """The object store does not answer, refuses, or has not kept what it said."""


class PeerAway(TryLater):
    """A peer does not answer or refused the association."""


class SetupError(SesamoidError):
    """The installation must be changed by a person before this can work."""


def port_advice(error: OSError) -> str:
    """What to do about a port that cannot be listened on."""
    if error.errno == errno.EADDRINUSE:
        return "Stop the program that has it, or set another port"
    if error.errno in (errno.EACCES, errno.EPERM):
        return "Ports below 1024 need a permission (CAP_NET_BIND_SERVICE); give it, or set a higher"
    return "Set an address of this machine, or another port"


class Outcome(NamedTuple):
    """What each side of the node answers to one kind of error."""

    dimse: int
    http: int
    advice: str


OUTCOMES: dict[type[SesamoidError], Outcome] = {
    BadObject: Outcome(0xA900, 400, "Check the sending system; do not send this object again."),
    NotFound: Outcome(0xC000, 404, "Check the address, or look in the reading list."),
    OtherSite: Outcome(0xC003, 409, "Ask whoever looks after the node; do not send it again."),
    NotAllowed: Outcome(0x0124, 403, "Sign in with a user who may do this."),
    NotReady: Outcome(0xC001, 409, "Put that right, then try again."),
    VersionConflict: Outcome(0xC002, 412, "Reload to see the other change; nothing was lost."),
    DifferentBytes: Outcome(0x0111, 409, "The first copy was kept; an administrator decides."),
    StorageFull: Outcome(0xA700, 507, "Free some room on the node's disk; the sender may retry."),
    StoreAway: Outcome(0xA700, 503, "It is tried again by itself; check the object store."),
    PeerAway: Outcome(0xA700, 503, "It is tried again by itself; check the network and the peer."),
    SetupError: Outcome(0xA700, 500, "An administrator must correct the settings."),
    Refused: Outcome(0xC000, 400, "Check what was sent."),
    Conflict: Outcome(0xC002, 409, "Look at what changed, then decide."),
    TryLater: Outcome(0xA700, 503, "Try again in a little while."),
    SesamoidError: Outcome(0xC000, 500, "Look in the node's log."),
}


def outcome_of(error: BaseException) -> Outcome:
    """The outcome of the nearest class of `error`; an unknown error counts as SesamoidError."""
    for kind in type(error).__mro__:
        if kind in OUTCOMES:
            return OUTCOMES[kind]
    return OUTCOMES[SesamoidError]
