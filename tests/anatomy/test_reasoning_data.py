"""Descriptors, rule-outs, rules and next steps: complete, and refused when they do not fit."""

from collections import Counter
from pathlib import Path

import pytest

from dicom_service.anatomy import DataError, atlas, load_atlas

OWN = """\
kind: conditions
conditions:
  - id: own
    name: a condition of ours
    code: C-OWN
    species: [dog]
    regions: [carpus]
    words: [ours]
    excludable: false
    for:
      - {says: a sign, weight: strong, any: [fracture_line], source: Ours, grade: C}
    limits: [One view is not enough.]
    next_steps: [palpate]
    source: Ours
    grade: C
"""
FIELD = """\
kind: descriptors
fields:
  - field: colour
    exclusive: true
    sections: [bone]
    choices:
      - {id: pale, label: pale, code: F-PALE}
      - {id: dark, label: dark, code: F-DARK, implies: [sclerosis]}
"""


def load(folder: Path, text: str) -> None:
    file = folder / "own.yaml"
    file.write_text(text, "utf-8")
    load_atlas([file])


def test_a_site_adds_a_condition_and_a_field_of_descriptors(tmp_path: Path) -> None:
    files = []
    for name, text in (("conditions.yaml", OWN), ("findings.yaml", FIELD)):
        files.append(tmp_path / name)
        files[-1].write_text(text, "utf-8")
    known = load_atlas(files)
    assert known.condition("own") in known.conditions("dog", ["carpus"])
    assert known.condition("own") not in known.conditions("cat", ["carpus"])
    dark = known.descriptor("dark")
    assert dark is not None
    assert (dark.field, dark.exclusive) == ("colour", True)
    assert known.implied(["dark"]) == {"dark", "sclerosis"}


@pytest.mark.parametrize(
    ("text", "change", "line", "sentence"),
    [
        (OWN, ("any: [fracture_line]", "any: [fracture_lien]"), 3, "'fracture_lien'"),
        (OWN, ("next_steps: [palpate]", "next_steps: [palpte]"), 3, "'palpte'"),
        (OWN, ("regions: [carpus]", "regions: [knuckle]"), 3, "'knuckle'"),
        (OWN, ("species: [dog]", "species: [gerbil]"), 3, "'gerbil'"),
        (OWN, ("weight: strong", "weight: huge"), 11, "weight"),
        (OWN, ("any: [fracture_line], ", ""), 3, "either findings or 'observed'"),
        (OWN, ("source: Ours, grade: C}", "source: Ours, grade: V}"), 3, "no known source"),
        (OWN, ("source: Ours, grade: C}", "grade: C}"), 11, "'for.0.source' is missing"),
        (OWN, ("code: C-OWN", "code: C-OWN-THAT-IS-LONG"), 3, "longer than 16"),
        (OWN, ("code: C-OWN", "code: C-FRACTURE"), 3, "means"),
        (OWN, ("id: own", "id: fracture"), 3, "stands already"),
        (FIELD, ("    exclusive: true\n", "    exclusve: true\n"), 4, "no field 'exclusve'"),
        (FIELD, ("implies: [sclerosis]", "implies: [scleroses]"), 8, "'scleroses'"),
        (FIELD, ("id: dark", "id: pale"), 8, "own.yaml:7"),
        (FIELD, ("field: colour\n    exclusive", "exclusive"), 6, "belongs to no field"),
    ],
)
def test_a_mistake_is_refused_with_file_line_and_sentence(
    tmp_path: Path, text: str, change: tuple[str, str], line: int, sentence: str
) -> None:
    assert change[0] in text
    with pytest.raises(DataError) as caught:
        load(tmp_path, text.replace(*change, 1))
    message = str(caught.value)
    assert message.split(": ")[0].endswith(f"own.yaml:{line}"), message
    assert sentence in message


def test_every_species_has_the_rule_outs_of_its_limbs() -> None:
    known = atlas()
    assert len(known.conditions()) == 60
    horse_only = {c.id for c in known.conditions("horse")} - {c.id for c in known.conditions("dog")}
    assert {"laminitis", "navicular", "splint", "foal_septic_bone", "p3_fracture"} <= horse_only
    assert "scfe_cat" in {c.id for c in known.conditions("cat", ["hip"])}
    assert "panosteitis" not in {c.id for c in known.conditions("cat")}


def test_every_rule_out_has_evidence_limits_and_next_steps_and_some_trigger() -> None:
    known = atlas()
    for condition in known.conditions():
        assert condition.supports, condition.id
        assert condition.limits, condition.id
        assert condition.routine or condition.words or condition.signals, condition.id
        assert all(known.next_step(step) for step in condition.next_steps)
        for rule in (*condition.supports, *condition.against):
            assert rule.source
            assert rule.grade


def test_every_strong_rule_can_be_met_by_words_that_the_panel_offers_together() -> None:
    """A rule that needs two words of one exclusive field could never be met."""
    known = atlas()
    for condition in known.conditions():
        for rule in (*condition.supports, *condition.against):
            needed = [d for i in rule.all if (d := known.descriptor(i))]
            fields = Counter(d.field for d in needed if d.exclusive)
            assert all(count == 1 for count in fields.values()), (condition.id, rule.says)
            assert not set(rule.without) & known.implied(rule.all)


def test_a_code_has_one_meaning_across_descriptors_conditions_and_steps() -> None:
    meanings: dict[tuple[str, str], str] = {}
    for code in atlas().codes():
        assert meanings.setdefault(code.key, code.meaning) == code.meaning


def test_the_words_of_the_trade_are_there() -> None:
    fields = {d.field for d in atlas().descriptors()}
    assert fields >= {
        "pattern of lysis",
        "zone of transition",
        "cortex",
        "periosteal reaction",
        "rate of change",
        "course of the fracture",
        "displacement",
        "Salter-Harris type",
        "age of the fracture",
        "healing",
        "joint capsule",
        "landmark",
        "state of the implant",
        "gas",
        "mineralisation",
        "size",
        "number",
        "architecture",
    }
    salter = [d.id for d in atlas().descriptors("cartilage") if d.field == "Salter-Harris type"]
    assert salter == [f"sh_{number}" for number in range(1, 7)]
