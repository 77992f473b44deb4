"""What is read back is what was built: from the private copy, and from the tree alone."""

from pathlib import Path

import pydicom
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from pydicom.dataset import Dataset
from pydicom.uid import DeflatedExplicitVRLittleEndian, ImplicitVRLittleEndian

from dicom_service.errors import BadObject
from dicom_service.report import build, plain_text, read, read_tree
from dicom_service.report.build import PRIVATE_CREATOR, PRIVATE_GROUP
from dicom_service.report.model import ReportContent
from dicom_service.report.reading_back import as_told
from dicom_service.report.walk import child, children, everything
from dicom_service.review.model import Measurement, Observation, Reading, RuleOut

from .conftest import (
    AT,
    DEVICE,
    DPA,
    IDENTITY,
    READER,
    image_header,
    make_facts,
    make_item,
    make_reading,
    make_template,
    of_kind,
    reread,
    saved,
)

EVIDENCE = [image_header(DPA, 1, "DPA")]
KINDS = ("template", "draft", "final", "addendum", "correction")


@pytest.mark.parametrize("kind", KINDS)
def test_every_kind_reads_back_equal_and_its_tree_alone_says_the_same(
    kind: str, content: ReportContent, evidence: list[Dataset], tmp_path: Path
) -> None:
    built = of_kind(kind, content)
    again = reread(build(built, IDENTITY, DEVICE, evidence).report, tmp_path)
    assert read(again) == built
    assert read_tree(again) == as_told(built)
    assert read_tree(again).kind == kind


def test_normal_as_a_group_is_told_and_read_back(
    content: ReportContent, evidence: list[Dataset], tmp_path: Path
) -> None:
    reading = content.reading
    item = "R.carpus.test_ulna"
    at_once = {DPA: Observation(value="normal", by_group=True)}
    changed = reading.model_copy(
        update={"observations": {**reading.observations, item: at_once}, "shown": (item,)}
    )
    built = content.model_copy(update={"reading": changed})
    again = reread(build(built, IDENTITY, DEVICE, evidence).report, tmp_path)
    assert read(again) == built
    told = read_tree(again).reading
    assert told.observations[item][DPA].by_group
    assert not told.observations["R.carpus.test_soft_tissue"][DPA].by_group


@pytest.mark.parametrize("syntax", [ImplicitVRLittleEndian, DeflatedExplicitVRLittleEndian])
def test_another_transfer_syntax_changes_nothing(
    syntax: str, content: ReportContent, evidence: list[Dataset], tmp_path: Path
) -> None:
    report = build(content, IDENTITY, DEVICE, evidence).report
    report.file_meta.TransferSyntaxUID = syntax
    assert read(reread(report, tmp_path)) == content


def test_an_archive_that_removes_private_elements_leaves_the_reading(
    content: ReportContent, evidence: list[Dataset], tmp_path: Path
) -> None:
    built = of_kind("addendum", content)
    report = reread(build(built, IDENTITY, DEVICE, evidence).report, tmp_path)
    report.remove_private_tags()
    found = read(report)
    told = as_told(built)
    assert found.reading == told.reading
    assert (found.signer, found.signed_at) == (built.signer, built.signed_at)
    assert (found.findings_text, found.addenda) == (built.findings_text, built.addenda)
    assert found.facts.study_uid == built.facts.study_uid
    assert found.template.items == ()


def _spoil_value(report: Dataset) -> None:
    structure = children(children(child(report, "coded_observations") or Dataset())[2])[0]
    code = children(structure)[0].ConceptCodeSequence[0]
    code.CodeValue, code.CodeMeaning = "17621005", "Normal"


def _spoil_text(report: Dataset) -> None:
    impressions = child(report, "impressions_heading")
    children(impressions or Dataset())[0].TextValue = "Nothing to see."


def _spoil_signer(report: Dataset) -> None:
    item = child(report, "person_observer_name")
    assert item is not None
    item.PersonName = "Somebody^Else"


def _spoil_number(report: Dataset) -> None:
    number = next(i.item for i in everything(report) if i.item.get("ValueType") == "NUM")
    number.MeasuredValueSequence[0].FloatingPointValue = 99.0


def _spoil_points(report: Dataset) -> None:
    drawn = next(i.item for i in everything(report) if i.item.get("ValueType") == "SCOORD")
    drawn.GraphicData = [1.0, 2.0, 3.0, 4.0]


def _spoil_time(report: Dataset) -> None:
    report.VerifyingObserverSequence[0].VerificationDateTime = "20200101000000+0000"


def _spoil_section(report: Dataset) -> None:
    coded = child(report, "coded_observations")
    assert coded is not None
    coded.ContentSequence = coded.ContentSequence[:1]


def _spoil_copy(report: Dataset) -> None:
    element = report.private_block(PRIVATE_GROUP, PRIVATE_CREATOR)[0x01]
    element.value = element.value.replace("Aggressive", "Harmless")


@pytest.mark.parametrize(
    "spoil",
    [
        _spoil_value,
        _spoil_text,
        _spoil_signer,
        _spoil_number,
        _spoil_points,
        _spoil_time,
        _spoil_section,
        _spoil_copy,
    ],
)
def test_a_document_that_other_software_changed_is_not_believed(
    spoil: object, content: ReportContent, evidence: list[Dataset], tmp_path: Path
) -> None:
    report = reread(build(content, IDENTITY, DEVICE, evidence).report, tmp_path)
    spoil(report)  # type: ignore[operator]
    with pytest.raises(BadObject, match="changed by other software"):
        read(report)


def test_a_damaged_private_copy_is_said_so(content: ReportContent, evidence: list[Dataset]) -> None:
    report = build(content, IDENTITY, DEVICE, evidence).report
    report.private_block(PRIVATE_GROUP, PRIVATE_CREATOR)[0x01].value = "{"
    with pytest.raises(BadObject, match="damaged"):
        read(report)


def test_another_s_document_is_not_ours(content: ReportContent, evidence: list[Dataset]) -> None:
    made = build(content, IDENTITY, DEVICE, evidence)
    assert made.measurements is not None
    with pytest.raises(BadObject, match="not a diagnostic imaging report"):
        read(made.measurements)
    del made.report.ContentSequence
    with pytest.raises(BadObject, match="not made by Sesamoid"):
        read_tree(made.report)


ODD_TEXTS = [
    "Fraktur 骨折 перелом 🦴🐕",
    "<script>alert('x')</script> & \"quotes\" \\ ^ =",
    "  indented\n\n\tand tabbed\r\nlines \x0c end   ",
    "\x00\x1b[31m\x85\u2028",
    " \n ",
]


def free_text(text: str) -> ReportContent:
    """A report with `text` wherever a person can type."""
    template = make_template()
    reading = make_reading(template)
    observations = {**reading.observations}
    observations["R.carpus.test_ulna"] = {DPA: Observation(value="normal", note=text)}
    findings = tuple(f.model_copy(update={"note": text}) for f in reading.findings)
    measurements = tuple(
        m.model_copy(update={"note": text, "calibration": text}) for m in reading.measurements
    )
    rule_outs = tuple(r.model_copy(update={"note": text}) for r in reading.rule_outs)
    words = ("history", "technique", "impression", "recommendations")
    reading = reading.model_copy(
        update={
            "observations": observations,
            "findings": findings,
            "measurements": measurements,
            "rule_outs": rule_outs,
            "differentials": (text, "x"),
            "findings_text": text,
            "open_accepted": f"Because {text}",
            **dict.fromkeys(words, text),
        }
    )
    return ReportContent(
        kind="final",
        facts=make_facts(question=text),
        template=template,
        reading=reading,
        signer=READER.model_copy(update={"login": text}),
        signed_at=AT,
        findings_text=text + "!",
    )


@pytest.mark.parametrize("text", ODD_TEXTS)
def test_odd_texts_survive(text: str, evidence: list[Dataset], tmp_path: Path) -> None:
    content = free_text(text)
    again = reread(build(content, IDENTITY, DEVICE, evidence).report, tmp_path)
    assert read(again) == content
    assert read_tree(again) == as_told(content)


@settings(
    max_examples=20, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture]
)
@given(text=st.text(st.characters(exclude_categories=["Cs"]), max_size=80))
def test_any_text_survives(text: str, tmp_path: Path) -> None:
    content = free_text(text)
    path = saved(build(content, IDENTITY, DEVICE, EVIDENCE).report, tmp_path)
    again = pydicom.dcmread(path)
    assert read(again) == content
    assert read_tree(again) == as_told(content)


@settings(
    max_examples=15, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture]
)
@given(
    value=st.floats(min_value=-1e9, max_value=1e9),
    axes=st.lists(st.floats(min_value=0, max_value=1e5), min_size=4, max_size=4),
)
def test_any_number_survives(value: float, axes: list[float], tmp_path: Path) -> None:
    template = make_template()
    measurement = Measurement(
        id="m",
        item="R.carpus.test_ulna",
        view=DPA,
        kind="length",
        points=((axes[0], axes[1]), (axes[2], axes[3])),
        value=value,
        unit="px",
    )
    content = ReportContent(
        kind="final",
        facts=make_facts(),
        template=template,
        reading=Reading(measurements=(measurement,), open_accepted="a test"),
        signer=READER,
        signed_at=AT,
    )
    again = reread(build(content, IDENTITY, DEVICE, EVIDENCE).report, tmp_path)
    assert read(again) == content
    assert read_tree(again) == as_told(content)


def test_an_observation_in_a_view_that_was_not_asked_for_is_kept(
    content: ReportContent, evidence: list[Dataset], tmp_path: Path
) -> None:
    hidden = make_item("test_axis", "alignment", "T-AXIS", ml="no")
    uid = next(u for u, v in hidden.visibility.items() if v == "no")
    observations = {**content.reading.observations}
    observations[hidden.id] = {DPA: Observation(value="normal"), uid: Observation(value="variant")}
    reading = make_reading(content.template, observations=observations)
    built = content.model_copy(update={"reading": reading})
    again = reread(build(built, IDENTITY, DEVICE, evidence).report, tmp_path)
    assert read_tree(again).reading.observations[hidden.id] == observations[hidden.id]


@pytest.mark.parametrize("word", ["", "non_aggressive", "indeterminate", "aggressive"])
def test_the_readers_word_on_a_lesion_comes_back_from_the_tree_alone(
    word: str, content: ReportContent, evidence: list[Dataset], tmp_path: Path
) -> None:
    findings = tuple(
        f.model_copy(update={"aggressiveness": word}) for f in content.reading.findings
    )
    reading = content.reading.model_copy(update={"findings": findings})
    built = content.model_copy(update={"reading": reading})
    report = reread(build(built, IDENTITY, DEVICE, evidence).report, tmp_path)
    assert {finding.aggressiveness for finding in read_tree(report).reading.findings} == {word}
    assert read(report) == built


def test_a_verdict_on_a_condition_that_the_study_did_not_raise_is_reported(
    content: ReportContent, evidence: list[Dataset], tmp_path: Path
) -> None:
    verdict = RuleOut(id="osteomyelitis", verdict="possible", evidence=("f1",))
    reading = content.reading.model_copy(update={"rule_outs": (verdict,)})
    built = content.model_copy(update={"reading": reading})
    report = reread(build(built, IDENTITY, DEVICE, evidence).report, tmp_path)
    assert read_tree(report).reading.rule_outs == (verdict,)
    assert "Osteomyelitis: possible on these radiographs." in plain_text(built)


def test_a_document_that_was_not_saved_yet_reads_back_equal(
    content: ReportContent, evidence: list[Dataset]
) -> None:
    assert read(build(content, IDENTITY, DEVICE, evidence).report) == content
