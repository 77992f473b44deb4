"""What each kind of document says of itself, and who stands behind it."""

from datetime import timedelta

import pytest
from pydicom.dataset import Dataset

from dicom_service.codes import get
from dicom_service.errors import Refused
from dicom_service.report import build, problems, read
from dicom_service.report.model import Person, Reference, ReportContent
from dicom_service.report.states import PURPOSES, STATES, continued_by, purpose

from .conftest import AT, DEVICE, DPA, IDENTITY, READER, make_reading, of_kind

FLAGS = {
    "template": ("PARTIAL", "UNVERIFIED", "PRELIMINARY"),
    "draft": ("PARTIAL", "UNVERIFIED", "PRELIMINARY"),
    "final": ("COMPLETE", "VERIFIED", "FINAL"),
    "addendum": ("COMPLETE", "VERIFIED", "FINAL"),
    "correction": ("COMPLETE", "VERIFIED", "FINAL"),
}
"""PS3.3 table C.17-2."""


@pytest.mark.parametrize("kind", FLAGS)
def test_flags_follow_the_state(kind: str, content: ReportContent, evidence: list[Dataset]) -> None:
    documents = build(of_kind(kind, content), IDENTITY, DEVICE, evidence)
    for made in documents:
        if made is not None:
            flags = (made.CompletionFlag, made.VerificationFlag, made.PreliminaryFlag)
            assert flags == FLAGS[kind]
            assert ("VerifyingObserverSequence" in made) == STATES[kind].signed


@pytest.mark.parametrize(
    ("kind", "types"),
    [
        ("template", ["DEV"]),
        ("draft", ["PSN", "DEV"]),
        ("final", ["PSN"]),
        ("addendum", ["PSN"] * 2),
        ("correction", ["PSN"]),
    ],
)
def test_authors_are_the_node_the_reader_or_both(
    kind: str, types: list[str], content: ReportContent, evidence: list[Dataset]
) -> None:
    made = build(of_kind(kind, content), IDENTITY, DEVICE, evidence).report
    assert [a.ObserverType for a in made.AuthorObserverSequence] == types
    sources = [p.ParticipationType for p in made.get("ParticipantSequence", [])]
    assert sources == ([] if "DEV" in types else ["SOURCE"])


def test_an_addendum_is_verified_by_its_author_and_the_first_signer(
    content: ReportContent, evidence: list[Dataset]
) -> None:
    made = build(of_kind("addendum", content), IDENTITY, DEVICE, evidence).report
    names = [str(v.VerifyingObserverName) for v in made.VerifyingObserverSequence]
    assert names == ["Nagy^Bo", READER.name]
    first = made.ContentSequence
    headings = [i for i in first if i.ValueType == "CONTAINER"]
    assert headings[0].ConceptNameCodeSequence[0].CodeValue == "55107-7"
    assert all("ObservationDateTime" in heading for heading in headings)


def test_a_signer_who_also_wrote_the_addendum_is_named_once(
    content: ReportContent, evidence: list[Dataset]
) -> None:
    later = of_kind("addendum", content)
    addendum = later.addenda[0]
    later = later.model_copy(update={"signer": addendum.author, "signed_at": addendum.at})
    made = build(later, IDENTITY, DEVICE, evidence).report
    assert len(made.VerifyingObserverSequence) == 1
    assert len(made.AuthorObserverSequence) == 1


@pytest.mark.parametrize(("kinds", "keyword"), PURPOSES.items())
def test_a_predecessor_is_named_with_its_purpose(
    kinds: tuple[str, str], keyword: str, content: ReportContent, evidence: list[Dataset]
) -> None:
    kind, before = kinds
    reference = Reference(
        sop_instance_uid="1.2.3", sop_class_uid="1.2.4", series_uid="1.2.5", kind=before
    )
    later = of_kind(kind, content).model_copy(update={"predecessors": (reference,)})
    made = build(later, IDENTITY, DEVICE, evidence).report
    series = made.PredecessorDocumentsSequence[0].ReferencedSeriesSequence[0]
    row = series.ReferencedSOPSequence[0]
    assert row.ReferencedSOPInstanceUID == "1.2.3"
    assert row.PurposeOfReferenceCodeSequence[0].CodeValue == get(keyword).value


PURPOSE_CODES = {
    "template": ["121363", None, None, None, None],
    "draft": ["121363", "121362", "121360", "121360", "121360"],
    "final": ["121363", "121362", None, None, None],
    "addendum": [None, None, "121361", "121361", "121361"],
    "correction": [None, None, "121360", "121360", "121360"],
}
"""Row: the new document; columns: its predecessor, in the same order (CID 7009)."""


@pytest.mark.parametrize(
    ("kind", "before", "code"),
    [
        (kind, before, code)
        for kind, row in PURPOSE_CODES.items()
        for before, code in zip(PURPOSE_CODES, row, strict=True)
    ],
)
def test_what_may_follow_what_and_why(kind: str, before: str, code: str | None) -> None:
    if code is None:
        with pytest.raises(Refused, match=f"'{kind}' cannot continue one of kind '{before}'"):
            purpose(kind, before)
    else:
        assert get(purpose(kind, before)).value == code


def _stored(*kinds: str) -> list[Reference]:
    return [
        Reference(sop_instance_uid=f"1.{n}", sop_class_uid="1.2", series_uid=f"2.{n}", kind=kind)
        for n, kind in enumerate(kinds)
    ]


@pytest.mark.parametrize(
    ("kind", "stored", "named"),
    [
        ("final", ["template", "template"], [0, 1]),
        ("final", [], []),
        ("addendum", ["template", "final"], [1]),
        ("addendum", ["final", "addendum"], [0, 1]),
        ("addendum", ["final", "addendum", "correction", "addendum"], [2, 3]),
        ("correction", ["template", "final"], [1]),
        ("correction", ["final", "addendum", "correction"], [0, 1, 2]),
        ("draft", ["template"], [0]),
        ("draft", ["template", "final", "addendum"], [1, 2]),
    ],
)
def test_every_document_whose_content_is_taken_over_is_named(
    kind: str, stored: list[str], named: list[int]
) -> None:
    found = continued_by(kind, _stored(*stored))
    assert [reference.sop_instance_uid for reference in found] == [f"1.{n}" for n in named]


def test_measurements_name_those_that_they_replace_and_the_report_does_so_for_them(
    content: ReportContent, evidence: list[Dataset]
) -> None:
    corrected = of_kind("correction", content)
    before = tuple(_stored("final"))
    corrected = corrected.model_copy(update={"measured_before": before})
    made = build(corrected, IDENTITY, DEVICE, evidence)
    assert made.measurements is not None
    assert _named(made.measurements) == {"1.0": "121360"}
    assert "1.0" not in _named(made.report)
    reading = corrected.reading.model_copy(update={"measurements": ()})
    bare = build(corrected.model_copy(update={"reading": reading}), IDENTITY, DEVICE, evidence)
    assert bare.measurements is None
    assert _named(bare.report)["1.0"] == "121360"


def _named(made: Dataset) -> dict[str, str]:
    return {
        row.ReferencedSOPInstanceUID: row.PurposeOfReferenceCodeSequence[0].CodeValue
        for study in made.PredecessorDocumentsSequence
        for series in study.ReferencedSeriesSequence
        for row in series.ReferencedSOPSequence
    }


def test_a_correction_is_verified_by_its_signer_alone_and_keeps_addenda(
    content: ReportContent, evidence: list[Dataset]
) -> None:
    made = build(of_kind("correction", content), IDENTITY, DEVICE, evidence).report
    names = [str(v.VerifyingObserverName) for v in made.VerifyingObserverSequence]
    assert names == [READER.name]
    headings = [i for i in made.ContentSequence if i.ValueType == "CONTAINER"]
    codes = [h.ConceptNameCodeSequence[0].CodeValue for h in headings[:2]]
    assert codes == ["CORRECTION", "55107-7"]


def test_a_draft_can_stand_alone_with_its_measurements(
    content: ReportContent, evidence: list[Dataset]
) -> None:
    alone = IDENTITY.model_copy(update={"measurements_sop_uid": ""})
    made = build(of_kind("draft", content), alone, DEVICE, evidence)
    assert made.measurements is None
    assert problems(made.report, None, evidence) == ()
    assert read(made.report) == of_kind("draft", content)


def test_every_request_of_the_images_is_named(
    content: ReportContent, evidence: list[Dataset]
) -> None:
    for number, image in enumerate(evidence):
        asked = Dataset()
        asked.RequestedProcedureID = f"RP{number}"
        asked.RequestedProcedureDescription = "Запястье 手根"
        image.RequestAttributesSequence = [asked]
    made = build(content, IDENTITY, DEVICE, evidence).report
    requests = [
        (r.AccessionNumber, r.RequestedProcedureID, r.RequestedProcedureDescription)
        for r in made.ReferencedRequestSequence
    ]
    assert requests == [("A-100", "RP0", "Запястье 手根"), ("A-100", "RP1", "Запястье 手根")]


@pytest.mark.parametrize(
    ("kind", "changes", "sentence"),
    [
        ("final", {"signer": None}, "needs its signer"),
        ("final", {"signed_at": None}, "needs its signer"),
        ("draft", {"signed_at": AT}, "is not signed"),
        ("template", {"signer": READER}, "has no signer"),
        ("addendum", {"addenda": ()}, "needs its text"),
        ("addendum", {"predecessors": ()}, "needs its text"),
        ("correction", {"corrections": ()}, "needs what was changed"),
        ("correction", {"predecessors": ()}, "needs what was changed"),
        ("final", {"signer": Person(login="x", name="")}, "cannot stand in a report"),
        ("final", {"signer": Person(login="x", name="a" * 65)}, "cannot stand in a report"),
        ("final", {"signer": Person(login="x", name="a^b^c^d^e^f")}, "cannot stand in a report"),
    ],
)
def test_content_that_contradicts_its_kind_is_refused(
    kind: str,
    changes: dict[str, object],
    sentence: str,
    content: ReportContent,
    evidence: list[Dataset],
) -> None:
    wrong = of_kind(kind, content).model_copy(update=changes)
    with pytest.raises(Refused, match=sentence):
        build(wrong, IDENTITY, DEVICE, evidence)


def test_a_template_with_observations_is_refused(
    content: ReportContent, evidence: list[Dataset]
) -> None:
    wrong = of_kind("template", content).model_copy(update={"reading": content.reading})
    with pytest.raises(Refused, match="nothing evaluated"):
        build(wrong, IDENTITY, DEVICE, evidence)


def test_only_an_addendum_carries_addenda(content: ReportContent, evidence: list[Dataset]) -> None:
    wrong = content.model_copy(update={"addenda": of_kind("addendum", content).addenda})
    with pytest.raises(Refused, match="must be 'addendum'"):
        build(wrong, IDENTITY, DEVICE, evidence)


def test_times_of_verification_carry_their_offset(
    content: ReportContent, evidence: list[Dataset]
) -> None:
    made = build(content, IDENTITY, DEVICE, evidence).report
    assert str(made.VerifyingObserverSequence[0].VerificationDateTime).endswith("+0100")
    assert made.TimezoneOffsetFromUTC == "+0100"
    assert (made.SeriesDate, str(made.SeriesTime)) == ("20260304", "150607.089012")
    assert AT.utcoffset() == timedelta(hours=1)


@pytest.mark.parametrize(
    ("changes", "sentence"),
    [
        ({"observations": {"R.carpus.nothing": {}}}, "structure 'R.carpus.nothing'"),
        ({"observations": {"R.carpus.test_ulna": {"1.9": None}}}, "view '1.9'"),
    ],
)
def test_a_reading_that_names_what_is_not_there_is_refused(
    changes: dict[str, object], sentence: str, content: ReportContent, evidence: list[Dataset]
) -> None:
    reading = content.reading.model_copy(update=changes)
    wrong = content.model_copy(update={"reading": reading})
    with pytest.raises(Refused, match=sentence):
        build(wrong, IDENTITY, DEVICE, evidence)


@pytest.mark.parametrize(
    ("number", "changes", "sentence"),
    [
        (0, {"value": float("nan")}, "no finite value"),
        (0, {"points": ((0.0, 0.0), (float("inf"), 1.0))}, "no finite value"),
        (1, {"points": ((0.0, 0.0), (1.0, 1.0))}, "has 2 points"),
        (0, {"view": "1.2.3.4"}, "image '1.2.3.4'"),
        (0, {"item": "L.none"}, "structure 'L.none'"),
    ],
)
def test_a_measurement_without_a_place_or_value_is_refused(
    number: int,
    changes: dict[str, object],
    sentence: str,
    content: ReportContent,
    evidence: list[Dataset],
) -> None:
    wrong = content.reading.measurements[number].model_copy(update=changes)
    reading = make_reading(content.template, measurements=(wrong,))
    with pytest.raises(Refused, match=sentence):
        build(content.model_copy(update={"reading": reading}), IDENTITY, DEVICE, evidence)


def test_measurements_need_uids_for_their_document(
    content: ReportContent, evidence: list[Dataset]
) -> None:
    bare = IDENTITY.model_copy(update={"measurements_sop_uid": ""})
    with pytest.raises(Refused, match="no UIDs were given"):
        build(content, bare, DEVICE, evidence)
    assert content.reading.measurements[0].view == DPA
