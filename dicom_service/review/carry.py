"""Carries a reading over to a new template of the same study, when images arrive late."""

from collections.abc import Mapping

from dicom_service.review.cross import NO_VIEW, cross_views, items_of, views_of
from dicom_service.review.model import Finding, Reading, Template, TemplateItem


def carry_over(reading: Reading, new_template: Template) -> Reading:
    """`reading` for `new_template`, with everything kept that still has its place.

    Answers to cross-checks go when their view is no longer at a right angle, or when "no such
    view" is no longer true. All texts stay as they are.
    """
    items = items_of(new_template)
    observations = {
        item_id: kept
        for item_id, seen in reading.observations.items()
        if item_id in items
        and (kept := {u: o for u, o in seen.items() if u in items[item_id].visibility})
    }
    findings = tuple(
        _carried(new_template, items[f.item], f)
        for f in reading.findings
        if _fits(items, f.item, f.view)
    )
    known = {f.id for f in findings}
    evidence = known | set(items)
    return reading.model_copy(
        update={
            "template_revision": new_template.revision,
            "observations": observations,
            "shown": tuple(item_id for item_id in reading.shown if item_id in items),
            "landmarks": _kept_landmarks(items, reading),
            "prior_landmarks": {
                uid: {i: point for i, point in marks.items() if i in items}
                for uid, marks in reading.prior_landmarks.items()
            },
            "outlines": tuple(o for o in reading.outlines if _fits(items, o.item, o.view)),
            "findings": findings,
            "measurements": tuple(
                m.model_copy(update={"finding": m.finding if m.finding in known else ""})
                for m in reading.measurements
                if _fits(items, m.item, m.view)
            ),
            "rule_outs": tuple(
                r.model_copy(update={"evidence": tuple(e for e in r.evidence if e in evidence)})
                for r in reading.rule_outs
            ),
        }
    )


def _kept_landmarks(
    items: Mapping[str, TemplateItem], reading: Reading
) -> dict[str, dict[str, tuple[float, float]]]:
    return {
        uid: kept
        for uid, marks in reading.landmarks.items()
        if (kept := {i: point for i, point in marks.items() if _fits(items, i, uid)})
    }


def _fits(items: Mapping[str, TemplateItem], item: str, view: str) -> bool:
    return item in items and view in items[item].visibility


def _carried(template: Template, item: TemplateItem, finding: Finding) -> Finding:
    wanted = cross_views(item, views_of(template)[finding.view]) or (NO_VIEW,)
    kept = {uid: answer for uid, answer in finding.cross_check.items() if uid in wanted}
    return finding.model_copy(update={"cross_check": kept})
