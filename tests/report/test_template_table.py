"""The printed template is what is written: every item has its row, every mandatory row its item."""

from collections import Counter

import pytest
from pydicom.dataset import Dataset

from dicom_service.codes import get
from dicom_service.report import build
from dicom_service.report.model import ReportContent
from dicom_service.report.tables import SETS, TemplateRow, template_rows, template_tables
from dicom_service.report.walk import children, name_of, value_of
from dicom_service.review.model import Observation

from .conftest import DEVICE, DPA, IDENTITY, of_kind

KINDS = ("template", "draft", "final", "addendum", "correction")
Row = tuple[int, TemplateRow]


def below(at: int) -> list[Row]:
    """The rows directly below row `at`."""
    rows = template_rows()
    found = []
    for number in range(at + 1, len(rows)):
        if rows[number].level <= rows[at].level:
            break
        if rows[number].level == rows[at].level + 1:
            found.append((number, rows[number]))
    return found


def fits(item: Dataset, row: TemplateRow) -> bool:
    if (item.get("RelationshipType", ""), item.ValueType) != (row.relation, row.value_type):
        return False
    special = [name for name in row.names if name in SETS]
    return bool(special) or name_of(item) in {get(name).key for name in row.names}


def check(item: Dataset, at: int, seen: Counter[int]) -> None:
    """Each item below `item` fits a row below row `at`, as often as the row allows."""
    seen[at] += 1
    times: Counter[int] = Counter()
    for child in children(item):
        rows = [number for number, row in below(at) if fits(child, row)]
        assert rows, f"no row for {child.ValueType} {name_of(child)} below row {at + 1}"
        row = template_rows()[rows[0]]
        times[rows[0]] += 1
        listed = [value for value in row.values if value not in SETS]
        if child.ValueType == "CODE" and row.values and len(listed) == len(row.values):
            assert value_of(child) in {get(value).key for value in listed}
        check(child, rows[0], seen)
    for number, row in below(at):
        low, _, high = row.multiplicity.partition("-")
        high = high or low
        assert high == "n" or times[number] <= int(high), f"row {number + 1} stands too often"
        if row.requirement == "M" and not row.condition:
            assert times[number] >= int(low), f"row {number + 1} is missing"


def written(
    kind: str, content: ReportContent, evidence: list[Dataset], own_wording: str | None = None
) -> Dataset:
    reading = content.reading
    at_once = {DPA: Observation(value="normal", by_group=True)}
    observations = {**reading.observations, "R.carpus.test_ulna": at_once}
    changes = {"observations": observations, "open_accepted": "Urgent."}
    reading = reading.model_copy(update={**changes, "findings_text": own_wording})
    return build(
        of_kind(kind, content.model_copy(update={"reading": reading})), IDENTITY, DEVICE, evidence
    ).report


@pytest.mark.parametrize("kind", KINDS)
def test_every_item_that_is_written_has_a_row(
    kind: str, computed_content: ReportContent, evidence: list[Dataset]
) -> None:
    check(written(kind, computed_content, evidence), 0, Counter())


def test_hardly_any_row_is_never_written(
    computed_content: ReportContent, evidence: list[Dataset]
) -> None:
    content = computed_content
    seen: Counter[int] = Counter()
    for kind in KINDS:
        check(written(kind, content, evidence), 0, seen)
    check(written("draft", content, evidence, own_wording="In my words."), 0, seen)
    never = {
        (row.value_type, row.names[0])
        for number, row in enumerate(template_rows())
        if not seen[number]
    }
    # The sample's breed is coded or not, its views are known, nothing was left out.
    assert never <= {
        ("TEXT", "subject_breed"),
        ("CODE", "subject_breed"),
        ("TEXT", "image_view"),
        ("CODE", "image_view_modifier"),
        ("TEXT", "not_evaluated_text"),
        ("TEXT", "differential"),
        ("TEXT", "comment"),
    }


def test_the_table_prints_every_row_with_its_codes() -> None:
    text = template_tables()
    assert text.count("\n| ") == len(template_rows()) + 1
    assert "(121402, DCM, “Normality”)" in text
    assert (
        "| 1 |  |  | CONTAINER | (18748-4, LN, “Diagnostic Imaging Report”) | 1 | M |  |  |" in text
    )
