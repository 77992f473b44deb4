"""What a reading has answered of a template, structure by structure.

Thirty conditions ask the same of the same structures with every save; each is worked out once.
"""

from collections.abc import Iterator

from dicom_service.anatomy import Atlas
from dicom_service.review.coverage import asked_views, open_views
from dicom_service.review.model import Finding, Reading, Template, TemplateItem


class Answers:
    """A reading seen from its template.

    Attributes
    ----------
    asked
        The items that some view can show, in the order of the template.
    described
        The items that have a finding.
    findings
        item id -> its findings.
    said
        finding id -> ids of its descriptors and of what they imply.
    open, unsure, normal, variant
        Ids of items: with a view still to be observed; on which no view gave an answer; called
        normal or a variant on every view that can show them; called a variant on some view.
    """

    def __init__(self, known: Atlas, template: Template, reading: Reading) -> None:
        self.template = template
        self.findings: dict[str, list[Finding]] = {}
        for finding in reading.findings:
            self.findings.setdefault(finding.item, []).append(finding)
        self.said = {f.id: known.implied(f.descriptors) for f in reading.findings}
        self.asked = tuple(item for item in template.items if asked_views(item))
        self.described = tuple(item for item in template.items if item.id in self.findings)
        self.open = frozenset(item.id for item in self.asked if open_views(item, reading))
        said = {item.id: frozenset(_values(reading, item)) for item in template.items}
        self.variant = frozenset(item for item, values in said.items() if "variant" in values)
        self.normal = frozenset(
            item
            for item, values in said.items()
            if values and values <= {"normal", "variant"} and item not in self.open
        )
        self.unsure = frozenset(i.id for i in template.items if _never_assessed(reading, i))


def _values(reading: Reading, item: TemplateItem) -> Iterator[str]:
    seen = reading.observations.get(item.id, {})
    return (o.value for uid, o in seen.items() if uid in item.visibility)


def _never_assessed(reading: Reading, item: TemplateItem) -> bool:
    seen = reading.observations.get(item.id, {})
    return all(o.value in ("not_assessable", "undetermined") for o in seen.values())
