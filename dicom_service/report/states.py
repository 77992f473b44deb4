"""The states of a document: what each is flagged as, who observes, why predecessors are named.

The flags follow PS3.3 table C.17-2; the combinations are the rows of one table, so a document
cannot be verified and partial at once. Which document may follow which is the table `PURPOSES`:

| this ↓, after →  | template | draft       | final    | addendum | correction |
|------------------|----------|-------------|----------|----------|------------|
| template         | partial  | –           | –        | –        | –          |
| draft            | partial  | preliminary | replaced | replaced | replaced   |
| final            | partial  | preliminary | –        | –        | –          |
| addendum         | –        | –           | addended | addended | addended   |
| correction       | –        | –           | replaced | replaced | replaced   |

A draft after a signed report is that report, opened again to be corrected. A withdrawal is no
report: it is a key object document that names what is not to be used (`report.withdrawal`).
"""

from collections.abc import Mapping, Sequence
from typing import Literal, NamedTuple

from dicom_service.errors import Refused
from dicom_service.report.model import Kind, Reference, ReportContent

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
    measurements_title: str
    """Series Description of its measurement document."""

    @property
    def signed(self) -> bool:
        """Whether a person answers for the content."""
        return self.verification == "VERIFIED"


STATES: Mapping[Kind, State] = {
    "template": State(
        "PARTIAL", "UNVERIFIED", "PRELIMINARY", ("device",), False,
        "state_template", "Limb reading template (nothing evaluated)", "Limb measurements",
    ),
    "draft": State(
        "PARTIAL", "UNVERIFIED", "PRELIMINARY", ("person", "device"), False,
        "state_draft", "Limb report, draft (not signed)",
        "Limb measurements, draft (not signed)",
    ),
    "final": State(
        "COMPLETE", "VERIFIED", "FINAL", ("person",), True,
        "state_final", "Limb report", "Limb measurements",
    ),
    "addendum": State(
        "COMPLETE", "VERIFIED", "FINAL", ("person",), True,
        "state_addendum", "Limb report with addendum", "Limb measurements",
    ),
    "correction": State(
        "COMPLETE", "VERIFIED", "FINAL", ("person",), True,
        "state_correction", "Limb report, corrected", "Limb measurements, corrected",
    ),
}  # fmt: skip

PURPOSES: Mapping[tuple[Kind, Kind], str] = {
    ("template", "template"): "partial_report",
    ("draft", "template"): "partial_report",
    ("draft", "draft"): "preliminary_report",
    ("draft", "final"): "replaced_report",
    ("draft", "addendum"): "replaced_report",
    ("draft", "correction"): "replaced_report",
    ("final", "template"): "partial_report",
    ("final", "draft"): "preliminary_report",
    ("addendum", "final"): "addended_report",
    ("addendum", "addendum"): "addended_report",
    ("addendum", "correction"): "addended_report",
    ("correction", "final"): "replaced_report",
    ("correction", "addendum"): "replaced_report",
    ("correction", "correction"): "replaced_report",
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


def continued_by(kind: Kind, earlier: Sequence[Reference]) -> tuple[Reference, ...]:
    """The predecessors that a new document of this kind names.

    Parameters
    ----------
    earlier
        All stored documents of one role, oldest first.

    Returns
    -------
    tuple of Reference
        Of an addendum: the final report or correction that it belongs to, and the addenda since.
        Of anything else: every document whose content it takes over.
    """
    if kind != "addendum":
        signed = [known for known in earlier if STATES[known.kind].signed]
        # What was prepared before a signed report is in it already.
        return tuple(known for known in signed or earlier if (kind, known.kind) in PURPOSES)
    begin = 0
    for place, known in enumerate(earlier):
        if known.kind in ("final", "correction"):
            begin = place
    return tuple(known for known in earlier[begin:] if (kind, known.kind) in PURPOSES)


def check_state(content: ReportContent) -> State:
    """The state of `content`, once what it must and must not carry has been checked.

    Raises
    ------
    Refused
        A signed document without its signer or time, an unsigned one with them, an addendum or
        correction without text or predecessor, a template that already observes.
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
    if content.kind == "correction" and not (content.corrections and content.predecessors):
        raise Refused(f"{name} needs what was changed and the report that it replaces.")
    if content.kind in ("template", "final") and (content.addenda or content.corrections):
        raise Refused(
            f"{name} cannot carry an addendum or correction; its kind must be 'addendum' or "
            "'correction'."
        )
    return state
