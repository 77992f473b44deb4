"""Reads fields of descriptors, and refuses conditions and rules that name what nobody defines."""

from collections.abc import Callable, Iterator, Mapping
from typing import TypeVar

from pydantic import BaseModel

from dicom_service.anatomy.located import Key, Located, Value
from dicom_service.anatomy.reasoning import (
    AggressivenessRule,
    Condition,
    Descriptor,
    EvidenceRule,
)
from dicom_service.anatomy.structures import no_source
from dicom_service.codes import SCHEME, Code

M = TypeVar("M", bound=BaseModel)

Found = Mapping[str, Mapping[str, BaseModel]]
"""Kind -> id -> what was read."""

Complaint = Callable[[str, str, str], None]
"""Called with kind, id and sentence for what does not fit; raises."""


def expanded_choices(file: Located) -> Iterator[tuple[dict[str, Value], tuple[Key, ...]]]:
    """Each choice of each of the file's `fields`, with what the field says, and its place."""
    fields = file.content.get("fields", [])
    if not isinstance(fields, list):
        file.fail("'fields' must be a list.", "fields")
    for at, field in enumerate(fields):
        choices = field.get("choices") if isinstance(field, dict) else None
        if not isinstance(field, dict) or not isinstance(choices, list) or not choices:
            file.fail("a field must have 'choices'.", "fields", at)
        shared = {name: value for name, value in field.items() if name != "choices"}
        for name in shared:
            if name not in Descriptor.model_fields:
                file.fail(f"there is no field '{name}' here.", "fields", at, name)
        for number, choice in enumerate(choices):
            path: tuple[Key, ...] = ("fields", at, "choices", number)
            if not isinstance(choice, dict):
                file.fail("a choice must consist of 'field: value'.", *path)
            yield {**shared, **choice}, path


def check_reasoning(found: Found, fail: Complaint) -> None:
    """Refuse references to descriptors, parts, species, steps, views and sources not defined."""
    for descriptor in _all(found, "descriptors", Descriptor):
        _check_descriptor(found, descriptor, fail)
    for rule in _all(found, "aggressiveness", AggressivenessRule):
        for wanted in rule.any:
            _must_exist(found, "descriptors", wanted, "aggressiveness", rule.id, fail)
    for condition in _all(found, "conditions", Condition):
        _check_condition(found, condition, fail)
    _check_codes(found, fail)
    for kind in ("descriptors", "aggressiveness", "conditions", "next_steps"):
        for identity, thing in found.get(kind, {}).items():
            _check_sources(found, kind, identity, thing, fail)


def _check_descriptor(found: Found, descriptor: Descriptor, fail: Complaint) -> None:
    named: list[tuple[str, tuple[str, ...]]] = [
        ("descriptors", (*descriptor.under, *descriptor.implies)),
        ("regions", descriptor.regions),
        ("species", descriptor.species),
    ]
    for kind, wanted in named:
        for identity in wanted:
            _must_exist(found, kind, identity, "descriptors", descriptor.id, fail)
    if descriptor.exclusive and not descriptor.field:
        sentence = f"'{descriptor.id}' is exclusive, but belongs to no field."
        fail("descriptors", descriptor.id, sentence)


def _check_condition(found: Found, condition: Condition, fail: Complaint) -> None:
    views = tuple(label for group in condition.essential for label in group)
    named = [
        ("species", condition.species),
        ("regions", condition.regions),
        ("views", views),
        ("next_steps", condition.next_steps),
        ("conditions", condition.looks_like),
    ]
    for rule in (*condition.supports, *condition.against):
        named += [("descriptors", (*rule.any, *rule.all, *rule.without))]
        named += [("regions", rule.regions)]
        _check_rule(condition, rule, fail)
    for kind, wanted in named:
        for identity in wanted:
            _must_exist(found, kind, identity, "conditions", condition.id, fail)


def _check_rule(condition: Condition, rule: EvidenceRule, fail: Complaint) -> None:
    by_findings = bool(rule.any or rule.all or rule.aggressive)
    if by_findings == bool(rule.observed):
        sentence = f"'{condition.id}' has a rule that must have either findings or 'observed'."
        fail("conditions", condition.id, sentence)


def _check_codes(found: Found, fail: Complaint) -> None:
    """One code, one meaning; and ours are short enough (PS3.3 table 8.8-1: SH, 16 characters)."""
    meanings: dict[tuple[str, str], str] = {}
    for kind in ("descriptors", "conditions", "next_steps"):
        for identity, thing in found.get(kind, {}).items():
            code = getattr(thing, "code", None)
            if not isinstance(code, Code):
                continue
            if code.scheme == SCHEME and len(code.value) > 16:
                fail(kind, identity, f"the code '{code.value}' is longer than 16.")
            if meanings.setdefault(code.key, code.meaning) != code.meaning:
                first = meanings[code.key]
                sentence = f"the code '{code.value}' means '{first}' and '{code.meaning}'."
                fail(kind, identity, sentence)


def _check_sources(
    found: Found, kind: str, identity: str, thing: BaseModel, fail: Complaint
) -> None:
    facts: list[BaseModel] = [thing]
    if isinstance(thing, Condition):
        facts += [*thing.signals, *thing.supports, *thing.against]
    for fact in facts:
        source = str(getattr(fact, "source", ""))
        if getattr(fact, "grade", "") == "V" and source not in found.get("sources", {}):
            fail(kind, identity, no_source(identity, source))


def _must_exist(
    found: Found, kind: str, wanted: str, owner: str, identity: str, fail: Complaint
) -> None:
    if wanted not in found.get(kind, {}):
        fail(owner, identity, f"'{identity}' names '{wanted}', which is not among the {kind}.")


def _all(found: Found, kind: str, model: type[M]) -> list[M]:
    return [thing for thing in found.get(kind, {}).values() if isinstance(thing, model)]
