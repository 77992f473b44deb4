"""Refuses a reading that names what its template or the atlas does not have."""

import re
from collections import Counter
from collections.abc import Iterable, Mapping, Sequence

from dicom_service.anatomy import Atlas, Descriptor
from dicom_service.anatomy import atlas as default_atlas
from dicom_service.errors import Refused
from dicom_service.review.cross import NO_VIEW, cross_views, items_of, views_of
from dicom_service.review.model import Finding, Reading, Template, TemplateItem

Items = Mapping[str, TemplateItem]


def check_reading(template: Template, reading: Reading, *, atlas: Atlas | None = None) -> None:
    """Refuse unknown items, views, descriptors, findings and rule-outs.

    A group may be called normal at once only after each of its members was shown. An unfinished
    reading is fine; what is open is said by `gaps`.

    Raises
    ------
    Refused
        With the sentence that says what is unknown and where.
    """
    if reading.template_revision != template.revision:
        raise Refused(
            f"The reading belongs to revision {reading.template_revision} of the template, which "
            f"is now at revision {template.revision}; reload the study."
        )
    known = atlas or default_atlas()
    items = items_of(template)
    for item_id, seen in reading.observations.items():
        for uid in seen:
            _place(items, item_id, uid, "An observation")
    for uid, marks in reading.landmarks.items():
        for item_id in marks:
            _place(items, item_id, uid, "A landmark")
    for uid, marks in reading.prior_landmarks.items():
        _check_prior_landmarks(items, uid, marks)
    _check_outlines(items, reading)
    _check_groups(template, items, reading)
    _once((f.id for f in reading.findings), "finding")
    _once((m.id for m in reading.measurements), "measurement")
    _once((r.id for r in reading.rule_outs), "rule-out")
    _once((o.id for o in reading.outlines), "outline")
    for finding in reading.findings:
        _check_finding(known, template, items, finding)
    _check_measurements(items, reading)
    _check_rule_outs(known, template, reading)


def _once(ids: Iterable[str], what: str) -> None:
    for identity, count in Counter(ids).items():
        if count > 1:
            raise Refused(f"The {what} '{identity}' stands {count} times; give each its own id.")


def _place(items: Items, item_id: str, uid: str, what: str) -> TemplateItem:
    item = items.get(item_id)
    if item is None:
        raise Refused(f"{what} names the structure '{item_id}', which this study does not have.")
    if uid not in item.visibility:
        raise Refused(f"{what} of {item.name} names the view '{uid}', which does not include it.")
    return item


def _check_prior_landmarks(items: Items, uid: str, marks: Iterable[str]) -> None:
    if not re.fullmatch(r"[0-9.]{1,64}", uid):
        raise Refused(f"A landmark of an earlier image names '{uid}', which is no image.")
    for item_id in marks:
        if item_id not in items:
            raise Refused(
                f"A landmark of an earlier image names the structure '{item_id}', which this "
                "study does not have."
            )


def _check_outlines(items: Items, reading: Reading) -> None:
    for outline in reading.outlines:
        what = f"The outline '{outline.id}'"
        item = _place(items, outline.item, outline.view, what)
        seen = reading.observations.get(outline.item, {}).get(outline.view)
        if seen is None or seen.value != "variant":
            raise Refused(
                f"{what} marks a normal variant, but {item.name} is not called one on that view."
            )
        if outline.kind == "ellipse" and len(outline.points) != 4:
            raise Refused(
                f"{what} is an ellipse and needs the ends of its two axes, 4 points, "
                f"not {len(outline.points)}."
            )


def _check_groups(template: Template, items: Items, reading: Reading) -> None:
    at_once = {
        item_id: [o.value for o in seen.values() if o.by_group]
        for item_id, seen in reading.observations.items()
    }
    for group in template.groups:
        said = [value for item_id in group.items for value in at_once.get(item_id, ())]
        if set(said) - {"normal"}:
            raise Refused(f"Only “normal” can be said of the {group.name} as a group.")
        unseen = [items[i].name for i in group.items if i not in reading.shown]
        if said and unseen:
            raise Refused(
                f"The {group.name} were called normal as a group before each was shown: look at "
                f"{', '.join(unseen)} first."
            )


def _check_finding(known: Atlas, template: Template, items: Items, finding: Finding) -> None:
    what = f"The finding '{finding.id}'"
    item = _place(items, finding.item, finding.view, what)
    view = views_of(template)[finding.view]
    _check_descriptors(known, what, item, template.species, finding.descriptors)
    wanted = cross_views(item, view)
    for uid, answer in finding.cross_check.items():
        if uid == NO_VIEW and (wanted or answer != "no_such_view"):
            raise Refused(f"{what} says that there is no view at a right angle, but there is one.")
        if uid != NO_VIEW and uid not in wanted:
            raise Refused(f"{what} is cross-checked on '{uid}', which is not at a right angle.")
        if uid != NO_VIEW and answer == "no_such_view":
            raise Refused(f"{what} says “no such view” of a view that this study has.")


def _check_descriptors(
    known: Atlas, what: str, item: TemplateItem, species: str, identities: Sequence[str]
) -> None:
    """Refuse words that do not exist, are not said of the structure, or contradict each other."""
    chosen: dict[str, Descriptor] = {}
    for identity in dict.fromkeys(identities):
        descriptor = known.descriptor(identity)
        if descriptor is None:
            raise Refused(f"{what} has the descriptor '{identity}', which does not exist.")
        elsewhere = descriptor.regions and item.region not in descriptor.regions
        other_animal = descriptor.species and species not in descriptor.species
        if item.section not in descriptor.sections or elsewhere or other_animal:
            raise Refused(f"{what}: '{descriptor.label}' is not said of {item.name}.")
        if descriptor.exclusive:
            first = chosen.setdefault(descriptor.field, descriptor)
            if first is not descriptor:
                raise Refused(
                    f"{what}: '{first.label}' and '{descriptor.label}' contradict each other "
                    f"({descriptor.field}); keep one of them."
                )


def _check_measurements(items: Items, reading: Reading) -> None:
    findings = {finding.id for finding in reading.findings}
    for m in reading.measurements:
        what = f"The measurement '{m.id}'"
        _place(items, m.item, m.view, what)
        if (m.kind == "computed") != (m.computed is not None):
            raise Refused(f"{what} must say what was computed, if and only if it is computed.")
        needed = 2 if m.kind == "length" else 3
        if m.computed is None and len(m.points) != needed:
            raise Refused(f"{what} is a {m.kind} and needs {needed} points, not {len(m.points)}.")
        if m.finding and m.finding not in findings:
            raise Refused(f"{what} belongs to the finding '{m.finding}', which does not exist.")


def _check_rule_outs(known: Atlas, template: Template, reading: Reading) -> None:
    candidates = {candidate.id for candidate in template.rule_outs}
    evidence = {finding.id for finding in reading.findings} | set(items_of(template))
    for verdict in reading.rule_outs:
        if verdict.id not in candidates and known.condition(verdict.id) is None:
            raise Refused(f"There is no rule-out '{verdict.id}'.")
        for identity in verdict.evidence:
            if identity not in evidence:
                raise Refused(
                    f"The rule-out '{verdict.id}' rests on '{identity}', which is neither a "
                    "finding nor a structure of this study."
                )
