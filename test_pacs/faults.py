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
    store_comment
        Say this (Error Comment) with `refuse_store`.
    refuse_association
        Reject every association (transient, no reason given).
    forgets
        Answer C-STORE with success and drop the object.
    silent_commitment
        Accept commitment requests and never report.
    commitment_lies
        Report every instance as failed, kept or not.
    commitment_for_another
        Name another transaction in every commitment report.
    commitment_separate
        Report on a new association to the requester, even when the asking one is open.
    drop_at_store
        Abort the association at the next C-STORE, once the object has come; counts down.
    silent_find
        Take queries and never answer them.
    many_answers
        Answer every query with this many studies more, whatever was asked for.
    deaf
        Go on answering a query that was cancelled.
    drop_at_find, drop_at_retrieve
        Abort the association at the first query, or at the first retrieval.
    refuse_find
        Answer every query with this status; 0: off.
    """

    slow_seconds: float = 0.0
    refuse_store: int = 0
    store_comment: str = ""
    refuse_association: bool = False
    forgets: bool = False
    silent_commitment: bool = False
    commitment_lies: bool = False
    commitment_for_another: bool = False
    commitment_separate: bool = False
    drop_at_store: int = 0
    silent_find: bool = False
    many_answers: int = 0
    deaf: bool = False
    drop_at_find: bool = False
    drop_at_retrieve: bool = False
    refuse_find: int = 0
