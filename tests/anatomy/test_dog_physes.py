"""Every published row on physeal closure in the dog is in the region files, unchanged.

Outside facts: the table below, in months. PROVETTABLE: a compilation of several authors (in days);
OVIAWE2018: Nigerian indigenous dogs; BEAGLE1980: beagles; IOHCVETPRAC: 8 to 12 weeks. Grade M: from
memory of Sumner-Smith 1966 and Thrall & Robertson. Three published rows are not used: the fusion of
the carpal centres is no physis (two rows; a sentence at the radial carpal bone says it), and "most
long bones of the pectoral limb" of beagles, 10 to 12 months, names no single one.
"""

from typing import NamedTuple

import pytest

from dicom_service.anatomy import Closure, Structure, atlas

TABLE = """\
supraglenoid tubercle (tuber scapulae) | 3.8 | 6.9 | 6.1 | V | PROVETTABLE | yes | PHYSIS-SUPRAGLEN
humerus proximal | 9 | 15.3 | 12.3 | V | PROVETTABLE | yes | PHYSIS-HUMERUS-P
humerus distal (condyles to shaft) | 4.5 | 7.8 | 6.1 | V | PROVETTABLE | yes | PHYSIS-HUMERUS-D
humerus medial epicondyle | 6.1 | 7.9 | 7.1 | V | PROVETTABLE | yes | PHYSIS-MED-EPIC
radius proximal | 4.5 | 10.8 | 8.5 | V | PROVETTABLE | no | PHYSIS-RADIUS-P
radius distal | 4.5 | 16.8 | 10.4 | V | PROVETTABLE | no | PHYSIS-RADIUS-D
ulna proximal (olecranon) | 5.3 | 14.8 | 8.5 | V | PROVETTABLE | yes | PHYSIS-OLECRANON
ulna distal | 7.1 | 14.8 | 10.1 | V | PROVETTABLE | yes | PHYSIS-ULNA-D
accessory carpal epiphysis | 3.7 | 5.9 | 4.4 | V | PROVETTABLE | yes | PHYSIS-ACCESSORY
MC1 proximal | | | 4.8 | V | PROVETTABLE | yes | PHYSIS-MC1-P
MC2-5 distal | 5.4 | 7.9 | 6.7 | V | PROVETTABLE | yes | PHYSIS-MC{n}-D
P1 digit I proximal | | | 4.6 | V | PROVETTABLE | yes | PHYSIS-D1-P1
P1 II-V proximal | 4.3 | 7.4 | 6.1 | V | PROVETTABLE | yes | PHYSIS-D{n}-P1
P2 II-V proximal | 4.3 | 7.4 | 6 | V | PROVETTABLE | yes | PHYSIS-D{n}-P2
acetabulum / ilium / pubis / ischium junction | | | 3.7 | V | PROVETTABLE | yes | PHYSIS-ACETAB
ischial tuberosity | | | 9.6 | V | PROVETTABLE | yes | PHYSIS-ISCH-TUB
femoral head (capital) | 4.2 | 17.7 | 10.5 | V | PROVETTABLE | no | PHYSIS-FEMUR-CAP
scapula supraglenoid tubercle | 4 | 7 | | M | | yes | PHYSIS-SUPRAGLEN
humerus proximal | 10 | 13 | | M | | yes | PHYSIS-HUMERUS-P
humerus distal condyle to shaft | 6 | 8 | | M | | yes | PHYSIS-HUMERUS-D
humerus medial-lateral condyle fusion | 1.8 | 2.8 | | V | IOHCVETPRAC | yes | PHYSIS-INTRACOND
humerus medial epicondyle | 6 | 8 | | M | | yes | PHYSIS-MED-EPIC
radius proximal | 6 | 11 | | M | | yes | PHYSIS-RADIUS-P
radius distal | 8 | 12 | | M | | yes | PHYSIS-RADIUS-D
ulna olecranon | 6 | 10 | | M | | yes | PHYSIS-OLECRANON
ulna anconeal process | 3 | 5 | | M | | yes | PHYSIS-ANCONEAL
ulna distal | 8 | 12 | | M | | yes | PHYSIS-ULNA-D
accessory carpal | 3 | 6 | | M | | yes | PHYSIS-ACCESSORY
metacarpal 1 proximal | 5 | 7 | | M | | yes | PHYSIS-MC1-P
metacarpal 2-5 distal | 5 | 7 | | M | | yes | PHYSIS-MC{n}-D
phalanges P1/P2 proximal | 4.5 | 7 | | M | | yes | PHYSIS-D{n}-P1 PHYSIS-D{n}-P2
acetabulum triradiate | 3 | 6 | | M | | yes | PHYSIS-ACETAB
femur capital | 7 | 11 | | M | | yes | PHYSIS-FEMUR-CAP
greater trochanter | 6 | 10 | | M | | yes | PHYSIS-GR-TROCH
lesser trochanter | 8 | 13 | | M | | yes | PHYSIS-LE-TROCH
femur distal | 8 | 11 | | M | | yes | PHYSIS-FEMUR-D
tibia proximal | 6 | 12 | | M | | yes | PHYSIS-TIBIA-P
tibial tuberosity to epiphysis | 6 | 8 | | M | | yes | PHYSIS-TIBTUB-E
tibial tuberosity to shaft | 8 | 12 | | M | | yes | PHYSIS-TIBTUB-S
tibia distal | 8 | 11 | | M | | yes | PHYSIS-TIBIA-D
medial malleolus | 5 | 6 | | M | | yes | PHYSIS-MED-MALL
fibula proximal | 8 | 12 | | M | | yes | PHYSIS-FIBULA-P
fibula distal | 7 | 12 | | M | | yes | PHYSIS-FIBULA-D
tuber calcanei | 3 | 8 | | M | | yes | PHYSIS-TUBER-CAL
metatarsal 2-5 distal | 5 | 7 | | M | | yes | PHYSIS-MT{n}-D
iliac crest | 12 | 24 | | M | | yes | PHYSIS-ILIAC-CR
ischial tuberosity | 8 | 14 | | M | | yes | PHYSIS-ISCH-TUB
pelvic symphysis | 15 | 60 | | M | | yes | JOINT-PELV-SYMPH
os acetabuli (acetabular bone) to ilium/ischium/pubis | 3 | 6 | | M | | yes | PHYSIS-ACET-BONE
ischial arch | 8 | 14 | | M | | yes | PHYSIS-ISCH-ARCH
phalanges P1/P2 proximal (pes) | 4.5 | 7 | | M | | yes | PHYSIS-D{n}-P1 PHYSIS-D{n}-P2 PHYSIS-D1-P1
metatarsal 1 proximal (only when a jointed dewclaw exists) | 5 | 7 | | M | | yes | PHYSIS-MT1-P
beagle: scapula cranio-distal (supraglenoid) | | | 6 | V | BEAGLE1980 | no | PHYSIS-SUPRAGLEN
beagle: humeral head | | | 14 | V | BEAGLE1980 | no | PHYSIS-HUMERUS-P
Nigerian indigenous: ulna proximal | | | 5.5 | V | OVIAWE2018 | no | PHYSIS-OLECRANON
Nigerian indigenous: radius proximal | | | 6.4 | V | OVIAWE2018 | no | PHYSIS-RADIUS-P
Nigerian indigenous: ulna distal | | | 7.4 | V | OVIAWE2018 | no | PHYSIS-ULNA-D
Nigerian indigenous: radius distal | | | 8.3 | V | OVIAWE2018 | no | PHYSIS-RADIUS-D
"""


class Row(NamedTuple):
    """One published row, and our codes for what it is about."""

    physis: str
    low: float | None
    high: float | None
    mean: float | None
    grade: str
    source: str
    age_check: str
    codes: tuple[str, ...]


def number(text: str) -> float | None:
    return float(text) if text else None


def digits(code: str) -> str:
    """A code with {n} stands for digits II to V."""
    return "2345" if "{n}" in code else " "


def rows() -> list[Row]:
    found = []
    for line in TABLE.splitlines():
        name, low, high, mean, grade, source, check, codes = (p.strip() for p in line.split("|"))
        limits = number(low), number(high), number(mean)
        expanded = [c.replace("{n}", n) for c in codes.split() for n in digits(c)]
        found.append(Row(name, *limits, grade, source, check, tuple(expanded)))
    return found


def structures() -> list[tuple[str, Structure]]:
    known = atlas()
    regions = [known.region("dog", identity) for identity in known.regions("dog")]
    return [(r.id, s) for r in regions if r for s in r.structures]


def in_hind_paw(row: Row) -> bool:
    """Phalanges of both paws carry one code; the region tells them apart."""
    return "(pes)" in row.physis


def stands_for(row: Row, region: str, structure: Structure) -> bool:
    same_paw = (region == "pes") == in_hind_paw(row) or not structure.code.value.startswith(
        "PHYSIS-D"
    )
    return structure.code.value in row.codes and same_paw


def states(closure: Closure, row: Row) -> bool:
    same = (closure.low, closure.high, closure.mean) == (row.low, row.high, row.mean)
    graded = (closure.grade, closure.age_check) == (row.grade, row.age_check)
    return same and graded and (closure.source == row.source or not row.source)


@pytest.mark.parametrize("row", rows(), ids=lambda row: f"{row.physis} {row.source or row.grade}")
def test_a_published_row_stands_wherever_its_physis_does(row: Row) -> None:
    held = [s for region, s in structures() if stands_for(row, region, s)]
    assert {s.code.value for s in held} == set(row.codes)
    for structure in held:
        assert any(states(closure, row) for closure in structure.closure), structure.id


def test_no_closure_is_stated_that_was_not_published() -> None:
    published = rows()
    for region, structure in structures():
        known = [row for row in published if stands_for(row, region, structure)]
        for closure in structure.closure:
            assert any(states(closure, row) for row in known), (region, structure.id)


def test_every_physis_has_a_closure() -> None:
    # Without one, a grown animal would be asked about every physis of the region.
    assert all(s.closure for _, s in structures() if s.kind == "physis")


def test_a_row_that_judges_no_age_says_why() -> None:
    kept = [c for _, s in structures() for c in s.closure if c.age_check == "no"]
    assert len(kept) >= 8
    assert all(closure.note for closure in kept)


def test_a_physis_has_the_same_closure_in_every_region_that_shows_it() -> None:
    seen: dict[str, tuple[Closure, ...]] = {}
    for region, structure in structures():
        if structure.closure and not (region == "pes" and "PHYSIS-D" in structure.code.value):
            assert seen.setdefault(structure.code.value, structure.closure) == structure.closure
