"""The states of a document: what each is flagged as, who observes, why predecessors are named.

The flags follow PS3.3 table C.17-2; the combinations are the rows of one table, so a document
cannot be verified and partial at once.
"""

from collections.abc import Mapping
from typing import Literal, NamedTuple

from dicom_service.errors import Refused
from dicom_service.report.model import Kind, ReportContent

Observer = Literal["person", "device"]


class State(NamedTuple):
    """What a kind of document says of itself."""

    completion: Literal["PARTIAL", "COMPLETE"]
    verification: Literal["UNVERIFIED", "VERIFIED"]
    preliminary: Literal["PRELIMINARY", "FINAL"]
    authors: tuple[Observer, ...]
    whole_study_is_evidence: bool
    """A completed final report lists every instance of the study (PS3.3 C.17.2.3)."""
    code: str
    """Keyword of the code that prints the state in the document."""
    title: str
    """Series Description of the report."""

    @property
    def signed(self) -> bool:
        """Whether a person answers for the content."""
        return self.verification == "VERIFIED"


STATES: Mapping[Kind, State] = {
    "template": State(
        "PARTIAL", "UNVERIFIED", "PRELIMINARY", ("device",), False,
        "state_template", "Limb reading template (nothing evaluated)",
    ),
    "draft": State(
        "PARTIAL", "UNVERIFIED", "PRELIMINARY", ("person", "device"), False,
        "state_draft", "Limb report, draft (not signed)",
    ),
    "final": State(
        "COMPLETE", "VERIFIED", "FINAL", ("person",), True,
        "state_final", "Limb report",
    ),
    "addendum": State(
        "COMPLETE", "VERIFIED", "FINAL", ("person",), True,
        "state_addendum", "Limb report with addendum",
    ),
}  # fmt: skip

MEASUREMENTS_TITLE: Mapping[Kind, str] = {
    "template": "Limb measurements",
    "draft": "Limb measurements, draft (not signed)",
    "final": "Limb measurements",
    "addendum": "Limb measurements",
}

PURPOSES: Mapping[tuple[Kind, Kind], str] = {
    ("template", "template"): "partial_report",
    ("draft", "template"): "partial_report",
    ("draft", "draft"): "preliminary_report",
    ("final", "template"): "partial_report",
    ("final", "draft"): "preliminary_report",
    ("addendum", "final"): "addended_report",
    ("addendum", "addendum"): "addended_report",
}
"""(this document, its predecessor) -> keyword of the purpose of reference (CID 7009)."""


def purpose(kind: Kind, predecessor: Kind) -> str:
    """Keyword of the reason for naming a predecessor.

    Raises
    ------
    Refused
        A document of this kind cannot continue one of that kind.
    """
    try:
        return PURPOSES[kind, predecessor]
    except KeyError:
        raise Refused(
            f"A document of kind '{kind}' cannot continue one of kind '{predecessor}'."
        ) from None


def check_state(content: ReportContent) -> State:
    """The state of `content`, once what it must and must not carry has been checked.

    Raises
    ------
    Refused
        A signed document without its signer or time, an unsigned one with them, an addendum
        without text or predecessor, a template that already observes.
    """
    state = STATES[content.kind]
    name = f"A document of kind '{content.kind}'"
    if state.signed and (content.signer is None or content.signed_at is None):
        raise Refused(f"{name} needs its signer and the time of signing.")
    if not state.signed and content.signed_at is not None:
        raise Refused(f"{name} is not signed and cannot carry a time of signing.")
    if content.kind == "template":
        reading = content.reading
        if content.signer is not None:
            raise Refused(f"{name} is prepared by the node and has no signer.")
        if any(reading.observations.values()) or reading.findings or reading.measurements:
            raise Refused(f"{name} has nothing evaluated, but observations were given.")
        if reading.rule_outs:
            raise Refused(f"{name} has nothing evaluated, but verdicts on rule-outs were given.")
    if content.kind == "addendum" and not (content.addenda and content.predecessors):
        raise Refused(f"{name} needs its text and the report that it continues.")
    if content.kind != "addendum" and content.addenda:
        raise Refused(f"{name} cannot carry an addendum; its kind must be 'addendum'.")
    return state
