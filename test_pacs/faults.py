"""What can go wrong in an archive, switched on while it runs."""

from dataclasses import dataclass


@dataclass
class Faults:
    """Misbehaviour of an `Archive`; change the fields of a running one at any time.

    Attributes
    ----------
    slow_seconds
        Wait this long before each answer to C-STORE and before each commitment report.
    refuse_store
        Answer every C-STORE with this status (for example 0xA700) and keep nothing; 0: off.
    refuse_association
        Reject every association (transient, no reason given).
    forgets
        Answer C-STORE with success and drop the object.
    silent_commitment
        Accept commitment requests and never report.
    commitment_lies
        Report every instance as failed, kept or not.
    commitment_separate
        Report on a new association to the requester, even when the asking one is open.
    """

    slow_seconds: float = 0.0
    refuse_store: int = 0
    refuse_association: bool = False
    forgets: bool = False
    silent_commitment: bool = False
    commitment_lies: bool = False
    commitment_separate: bool = False
