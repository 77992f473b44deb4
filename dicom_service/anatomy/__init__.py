"""Species, regions, structures, projections: readable data files and the code that reads them.

The files under `data/` are the product's knowledge. Each says with `kind:` what it holds:

species      species, with the words for them and the breeds whose physes close late
regions      parts of the limb, with standard codes and the words that headers use
region       the structures of one part in one species (`data/<species>/<region>.yaml`)
generic      the search pattern where no such file exists
views        projections: right angles, standard codes, words in headers
descriptors  words for what is abnormal, in fields: sets of which one or several may be chosen
aggressiveness  what each feature of a bone lesion says
sets         the views that a region needs at least
additions    further structures of a region that another file has
conditions   rule-outs: what raises them, what speaks for and against them, what limits them
next_steps   what to do next, named by conditions
cautions     sentences that limit what a report can claim
sources      texts that facts of grade V rest on

A code of one word is ours and takes the name as its meaning; `[value, scheme, meaning]` is
somebody else's. In a region file, `shows` names one of the file's `patterns` of visibility, and
an entry with `digits` or `numbers` stands for one structure each, with {n} and {roman} filled in.
"""

from dicom_service.anatomy.atlas import Atlas
from dicom_service.anatomy.load import atlas, load_atlas, use
from dicom_service.anatomy.located import DataError
from dicom_service.anatomy.model import (
    Caution,
    Closure,
    Part,
    Region,
    Section,
    Species,
    Structure,
    VariantFact,
    View,
    ViewSet,
    WantedView,
)
from dicom_service.anatomy.reasoning import (
    Aggressiveness,
    AggressivenessRule,
    Condition,
    Descriptor,
    EvidenceRule,
    NextStep,
    Signal,
)

__all__ = [
    "Aggressiveness",
    "AggressivenessRule",
    "Atlas",
    "Caution",
    "Closure",
    "Condition",
    "DataError",
    "Descriptor",
    "EvidenceRule",
    "NextStep",
    "Part",
    "Region",
    "Section",
    "Signal",
    "Species",
    "Structure",
    "VariantFact",
    "View",
    "ViewSet",
    "WantedView",
    "atlas",
    "load_atlas",
    "use",
]
