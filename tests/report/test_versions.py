"""Which version counts, whether the archive has a newer one, and what a correction changed."""

from datetime import timedelta

import pytest
from pydicom.dataset import Dataset

from dicom_service.report import Version, build, changes, newer_in_archive, prevailing, version_of
from dicom_service.report.model import ReportContent
from dicom_service.review.model import Observation

from .conftest import AT, DEVICE, DPA, IDENTITY, LATER, ML, of_kind


def version(uid: str, hours: int, *replaces: str) -> Version:
    return Version(sop_instance_uid=uid, signed_at=AT + timedelta(hours=hours), replaces=replaces)


FINAL, ADDENDUM, CORRECTION = version("1", 0), version("2", 1, "1"), version("3", 2, "1", "2")


@pytest.mark.parametrize(
    ("held", "uid"),
    [
        ([], None),
        ([FINAL], "1"),
        ([CORRECTION, FINAL, ADDENDUM], "3"),
        ([FINAL, version("2", -5, "1")], "2"),
        ([version("1", 0, "2"), version("2", 1, "1")], "2"),
    ],
)
def test_the_version_that_no_other_replaces_counts(held: list[Version], uid: str | None) -> None:
    chosen = prevailing(held)
    assert (chosen.sop_instance_uid if chosen else None) == uid


@pytest.mark.parametrize(
    ("ours", "held", "newer"),
    [
        ([FINAL], [FINAL], []),
        ([FINAL], [FINAL, ADDENDUM, CORRECTION], ["2", "3"]),
        ([FINAL, ADDENDUM, CORRECTION], [FINAL, ADDENDUM], []),
        ([], [FINAL], ["1"]),
        ([CORRECTION], [version("0", -9)], []),
        ([CORRECTION], [version("8", -9, "3"), version("9", -8, "8")], ["8", "9"]),
    ],
)
def test_the_archive_is_newer_when_it_goes_on_from_ours(
    ours: list[Version], held: list[Version], newer: list[str]
) -> None:
    assert [v.sop_instance_uid for v in newer_in_archive(ours, held)] == newer


def test_a_document_tells_which_version_it_is(
    content: ReportContent, evidence: list[Dataset]
) -> None:
    made = build(of_kind("correction", content), IDENTITY, DEVICE, evidence)
    found = version_of(made.report)
    assert found is not None
    assert (found.signed_at, found.signed_by) == (LATER, "Vreeland^Ida^^Dr")
    assert found.replaces == (of_kind("correction", content).predecessors[0].sop_instance_uid,)
    assert made.measurements is not None
    assert version_of(made.measurements) is None
    draft = build(of_kind("draft", content), IDENTITY, DEVICE, evidence).report
    assert version_of(draft) is None
    made.report.VerifyingObserverSequence[0].VerificationDateTime = "20260324150607"
    without_offset = version_of(made.report)
    assert without_offset is not None
    assert without_offset.signed_at == LATER.replace(microsecond=0)
    made.report.VerifyingObserverSequence[0].VerificationDateTime = "2026"
    assert version_of(made.report) is None


def test_what_was_changed_is_said_in_sentences(content: ReportContent) -> None:
    assert changes(content, content) == ()
    reading = content.reading
    observations = {key: dict(row) for key, row in reading.observations.items()}
    observations["R.carpus.test_ulna"][ML] = Observation(value="normal", note="no line")
    del observations["R.carpus.test_axis"][DPA]
    finding = reading.findings[0].model_copy(update={"severity": "mild"})
    after = content.model_copy(
        update={
            "reading": reading.model_copy(
                update={
                    "observations": observations,
                    "findings": (finding,),
                    "measurements": reading.measurements[:1],
                    "rule_outs": (),
                    "impression": "Benign.",
                }
            )
        }
    )
    said = changes(content, after)
    assert "right test ulna, ML: normal variant, now normal (no line)." in said
    assert "right test axis, DPa: normal, now not evaluated." in said
    assert "Reworded: impression." in said
    starts = [sentence.split(":")[0] for sentence in said]
    for start in ("Finding changed", "Finding removed", "Measurement removed", "Rule-out removed"):
        assert start in starts


def test_added_corrected_and_missing_views_are_changes(content: ReportContent) -> None:
    first, second = content.template.views
    other_side = second.model_copy(update={"side": "L"})
    template = content.template.model_copy(update={"views": (first, other_side)})
    turned = content.model_copy(update={"template": template})
    assert changes(content, turned) == ("View ML (R) is now read as ML (L).",)
    fewer = content.model_copy(update={"template": template.model_copy(update={"views": (first,)})})
    empty = content.reading.model_copy(update={"observations": {}, "findings": ()})
    pair = [c.model_copy(update={"reading": empty}) for c in (fewer, content)]
    assert changes(*pair) == ("View added: ML.",)
    assert changes(*reversed(pair)) == ("View left out: ML.",)
