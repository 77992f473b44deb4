"""What the data files say of findings and conclusions: descriptors, rules, conditions, steps."""

from typing import Literal

from pydantic import ConfigDict, Field

from dicom_service.anatomy.model import Grade, Id, Section
from dicom_service.base import Frozen
from dicom_service.codes import Code

Aggressiveness = Literal["non_aggressive", "indeterminate", "aggressive"]
Weight = Literal["strong", "supports", "weak"]
"""strong: enough alone; supports: two of these are enough; weak: fits, and much else does too."""

StepKind = Literal[
    "palpation", "contralateral", "views", "repeat", "modality", "sampling", "referral", "history"
]


class Descriptor(Frozen):
    """A word for what is abnormal: where it is offered and what it goes with."""

    id: str = Id
    label: str
    sections: tuple[Section, ...] = Field(min_length=1)
    kinds: tuple[str, ...] = ()
    regions: tuple[str, ...] = ()
    """Only in these parts of the limb; empty: in all."""
    species: tuple[str, ...] = ()
    """Only in these species; empty: in all."""
    field: str = ""
    """The set that the descriptor belongs to, as the panel heads it."""
    exclusive: bool = False
    """Whether a finding may have only one descriptor of the field."""
    under: tuple[str, ...] = ()
    """Shown once one of these is chosen; empty: always."""
    implies: tuple[str, ...] = ()
    """What is said along with it: a transverse fracture is a fracture line."""
    code: Code
    note: str = ""
    """The sentence that a reader needs before using the word."""
    source: str = "Common practice"
    grade: Grade = "C"


class AggressivenessRule(Frozen):
    """What one feature of a bone lesion says of its aggressiveness."""

    id: str = Id
    feature: str
    any: tuple[str, ...] = Field(min_length=1)
    says: Aggressiveness
    source: str = Field(min_length=1)
    grade: Grade


class NextStep(Frozen):
    """Something to do next, offered with a rule-out."""

    id: str = Id
    kind: StepKind
    name: str
    """The step as a sentence without its full stop."""
    code: Code
    source: str = Field(min_length=1)
    grade: Grade


class Signal(Frozen):
    """One thing of the animal that raises a condition; all that is given must hold."""

    age_months: tuple[float, float] | None = None
    breeds: tuple[str, ...] = ()
    """Beginnings of words of the breed, compared without case and marks."""
    sex: Literal["M", "F", ""] = ""
    neutered: bool | None = None
    source: str = Field(min_length=1)
    grade: Grade


class EvidenceRule(Frozen):
    """What a reader must have recorded for a condition to have evidence for or against it.

    A rule with `any`, `all` or `aggressive` is met by findings; one with `observed` by
    observations. `sections`, `kinds`, `structures` (ids, * stands for anything) and `regions` say
    where.
    """

    says: str = Field(min_length=1)
    weight: Weight
    any: tuple[str, ...] = ()
    all: tuple[str, ...] = ()
    without: tuple[str, ...] = ()
    """A finding with one of these does not count."""
    aggressive: tuple[Aggressiveness, ...] = ()
    observed: Literal["", "normal", "variant"] = ""
    """normal: every such structure was observed and is normal; variant: one of them is."""
    sections: tuple[Section, ...] = ()
    kinds: tuple[str, ...] = ()
    structures: tuple[str, ...] = ()
    regions: tuple[str, ...] = ()
    items: int = 1
    """Of how many different structures findings are needed."""
    sides: int = 1
    """On how many limbs of a pair they are needed."""
    one_view: bool = False
    """Whether a sign that one projection alone can show (a plane, a profile) is enough."""
    source: str = Field(min_length=1)
    grade: Grade


class Condition(Frozen):
    """A rule-out: what raises it, what speaks for and against it, what limits it, what is next."""

    model_config = ConfigDict(frozen=True, extra="forbid", populate_by_name=True)

    id: str = Id
    name: str
    code: Code
    species: tuple[str, ...] = ()
    """Empty: every species."""
    regions: tuple[str, ...] = ()
    """Empty: every part of the limb."""
    routine: bool = False
    words: tuple[str, ...] = ()
    signals: tuple[Signal, ...] = ()
    essential: tuple[tuple[str, ...], ...] = ()
    """Groups of views: without one of each group nothing is said against the condition."""
    excludable: bool
    looks_like: tuple[str, ...] = ()
    """Conditions that films cannot tell from it; they are considered with it."""
    supports: tuple[EvidenceRule, ...] = Field(default=(), alias="for")
    against: tuple[EvidenceRule, ...] = ()
    limits: tuple[str, ...] = Field(min_length=1)
    next_steps: tuple[str, ...] = Field(min_length=1)
    """Ids of next steps."""
    source: str = Field(min_length=1)
    grade: Grade

    def in_region(self, region: str) -> bool:
        """Whether the condition belongs to this part of the limb."""
        return not self.regions or region in self.regions
