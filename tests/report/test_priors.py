"""Reports that come back from an archive: ours of any version, other makers', and none at all."""

import json
import struct
from io import BytesIO

import highdicom
import numpy as np
import pydicom
import pytest
from pydicom.dataset import Dataset
from pydicom.sr.codedict import codes

from dicom_service.report import (
    ForeignReport,
    OwnReport,
    Unreadable,
    build,
    prevailing_prior,
    read_foreign,
    read_prior,
    rejected_by,
)
from dicom_service.report.build import PRIVATE_COPY, PRIVATE_CREATOR, PRIVATE_GROUP
from tests.report.conftest import DEVICE, IDENTITY


def _code(value, scheme, meaning) -> Dataset:
    made = Dataset()
    made.CodeValue, made.CodingSchemeDesignator, made.CodeMeaning = value, scheme, meaning
    return made


def _item(kind, name="", **values) -> Dataset:
    made = Dataset()
    made.RelationshipType = "CONTAINS"
    if kind:
        made.ValueType = kind
    if name:
        made.ConceptNameCodeSequence = [_code("1", "99X", name)]
    for keyword, value in values.items():
        setattr(made, keyword, value)
    return made


def _num(value, name="Length") -> Dataset:
    measured = Dataset()
    measured.NumericValue = value
    measured.MeasurementUnitsCodeSequence = [_code("mm", "UCUM", "millimeter")]
    return _item("NUM", name, MeasuredValueSequence=[measured])


def _foreign(*children) -> Dataset:
    made = _item("CONTAINER", "Imaging Measurement Report", ContentSequence=list(children))
    made.Manufacturer, made.ContentDate = "Somebody Else", "20240506"
    made.SOPInstanceUID = "1.2.3.4"
    return made


@pytest.fixture
def tid1500(header_images) -> Dataset:
    """A measurement report as an independent library writes it."""
    image = header_images[0]
    site = highdicom.sr.FindingSite(anatomic_location=codes.SCT.Femur, laterality=codes.SCT.Left)
    group = highdicom.sr.MeasurementsAndQualitativeEvaluations(
        tracking_identifier=highdicom.sr.TrackingIdentifier(
            uid="2.25.4711", identifier="Femur length"
        ),
        finding_sites=[site],
        measurements=[
            highdicom.sr.Measurement(name=codes.SCT.Length, value=101.5, unit=codes.UCUM.Millimeter)
        ],
    )
    report = highdicom.sr.MeasurementReport(
        observation_context=highdicom.sr.ObservationContext(
            observer_person_context=highdicom.sr.ObserverContext(
                observer_type=codes.DCM.Person,
                observer_identifying_attributes=(
                    highdicom.sr.PersonObserverIdentifyingAttributes(name="Somebody^Else")
                ),
            )
        ),
        procedure_reported=codes.LN.CTUnspecifiedBodyRegion,
        imaging_measurements=[group],
    )
    return highdicom.sr.ComprehensiveSR(
        evidence=[image],
        content=report,
        series_number=1,
        series_instance_uid="2.25.1",
        sop_instance_uid="2.25.2",
        instance_number=1,
        manufacturer="Somebody Else",
    )


@pytest.fixture
def header_images(evidence) -> list[Dataset]:
    return list(evidence)


def test_another_makers_measurements_come_with_meaning_unit_site_side_and_tracking(tid1500):
    buffer = BytesIO()
    tid1500.save_as(buffer, enforce_file_format=True)
    buffer.seek(0)
    found = read_prior(pydicom.dcmread(buffer))
    assert isinstance(found, ForeignReport)
    (measured,) = found.measurements
    assert (measured.meaning, measured.value, measured.unit) == ("Length", 101.5, "mm")
    assert (measured.site, measured.side) == ("Femur", "Left")
    assert (measured.tracking_id, measured.tracking_uid) == ("Femur length", "2.25.4711")
    assert len(measured.date) == 8
    assert found.maker == "Somebody Else"
    assert found.not_read == ()


def test_a_reference_that_makes_a_cycle_is_said_and_not_followed():
    group = _item("CONTAINER", "Group", ContentSequence=[_num("12.5")])
    back = Dataset()
    back.RelationshipType = "HAS PROPERTIES"
    back.ReferencedContentItemIdentifier = [1, 1]
    group.ContentSequence.append(back)
    found = read_foreign(_foreign(group))
    assert [m.value for m in found.measurements] == [12.5]
    (said,) = found.not_read
    assert "1.1.2" in said
    assert "a cycle" in said


def test_items_that_contain_each_other_in_memory_end_all_the_same():
    first, second = _item("CONTAINER", "A"), _item("CONTAINER", "B")
    first.ContentSequence, second.ContentSequence = [second], [first]
    found = read_foreign(_foreign(first, _num("3")))
    assert any("Below level 64" in said for said in found.not_read)


def test_a_tree_500_deep_is_read_as_far_as_makes_sense_and_the_rest_is_said():
    item = _num("99")
    for _ in range(500):
        item = _item("CONTAINER", "Deeper", ContentSequence=[item])
    found = read_foreign(_foreign(item, _num("3")))
    assert [m.value for m in found.measurements] == [3.0]
    assert len(found.not_read) == 1
    assert "Below level 64" in found.not_read[0]


def _element(group, number, vr, value) -> bytes:
    head = struct.pack("<HH", group, number) + vr
    return head + (b"\0\0" + struct.pack("<L", len(value)) if vr == b"SQ" else
                   struct.pack("<H", len(value))) + value  # fmt: skip


@pytest.mark.parametrize("defined", [True, False])
def test_bytes_of_a_tree_500_deep_become_an_answer_and_not_a_crash(defined):
    data = b""
    for _ in range(500):
        body = _element(0x0040, 0xA040, b"CS", b"CONTAINER ") + data
        item = struct.pack("<HHL", 0xFFFE, 0xE000, len(body)) + body
        if defined:
            data = _element(0x0040, 0xA730, b"SQ", item)[:8]
            data += struct.pack("<L", len(item)) + item
        else:
            end = struct.pack("<HHL", 0xFFFE, 0xE0DD, 0)
            data = struct.pack("<HH", 0x0040, 0xA730) + b"SQ\0\0\xff\xff\xff\xff" + item + end

    def read():
        return read_prior(
            pydicom.dcmread(BytesIO(_element(0x0008, 0x0070, b"LO", b"ELSE") + data), force=True)
        )

    try:
        found = read()
    except RecursionError:
        assert not defined  # whoever reads the file says that it cannot be read
    else:
        assert isinstance(found, ForeignReport)
        assert found.not_read


@pytest.mark.parametrize(
    ("item", "part"),
    [
        (_item(""), "no value type"),
        (_item("WIDGET"), "unknown value type 'WIDGET'"),
        (_item("NUM", "Length"), "no value"),
        (_num("5", name=""), "does not say what was measured"),
    ],
)
def test_what_is_missing_or_unknown_is_left_out_and_said(item, part):
    found = read_foreign(_foreign(item, _num("3")))
    assert [m.value for m in found.measurements] == [3.0]
    assert any(part in said for said in found.not_read)


def test_of_a_report_with_very_many_items_what_is_not_read_is_said_in_short():
    found = read_foreign(_foreign(*[_item("") for _ in range(3_000)]))
    assert found.not_read[-1].startswith("And ")


def test_our_own_report_comes_back_as_what_was_signed(content, made):
    found = read_prior(made.report)
    assert isinstance(found, OwnReport)
    assert found.content == content
    companion = read_prior(made.measurements)
    assert isinstance(companion, ForeignReport)
    assert len(companion.measurements) == len(content.reading.measurements)


def _copy_changed(document, text) -> Dataset:
    changed = pydicom.Dataset(document)
    block = changed.private_block(PRIVATE_GROUP, PRIVATE_CREATOR)
    del block[PRIVATE_COPY]
    block.add_new(PRIVATE_COPY, "UT", text)
    return changed


def test_a_report_of_another_version_is_read_from_its_coded_content(content, made):
    block = made.report.private_block(PRIVATE_GROUP, PRIVATE_CREATOR)
    kept = json.loads(block[PRIVATE_COPY].value)
    changed = _copy_changed(made.report, json.dumps(kept | {"of_a_later_version": 1}))
    found = read_prior(changed)
    assert isinstance(found, OwnReport)
    assert "another version" in found.note
    assert found.content.reading.findings == content.reading.findings


def test_a_report_that_claims_to_be_ours_and_is_not_cannot_be_read(made):
    forged = _foreign(_num("3"))
    forged.Manufacturer = "Sesamoid"
    assert isinstance(read_prior(forged), Unreadable)
    altered = pydicom.Dataset(made.report)
    altered.ContentSequence = altered.ContentSequence[:3]
    assert isinstance(read_prior(altered), Unreadable)


def test_a_copy_that_contradicts_the_content_tree_is_not_believed(content, made):
    reading = content.reading.model_copy(update={"impression": "Nothing of the kind."})
    other = content.model_copy(update={"reading": reading})
    found = read_prior(_copy_changed(made.report, other.model_dump_json()))
    assert isinstance(found, Unreadable)
    assert "changed by other software" in found.why


def test_the_version_that_counts_is_signed_and_continued_by_no_other(content, evidence):
    template = OwnReport(
        sop_instance_uid="0", content=content.model_copy(update={"kind": "template"})
    )
    first = read_prior(build(content, IDENTITY, DEVICE, evidence).report)
    second = first.model_copy(
        update={"sop_instance_uid": "1.9", "predecessors": (first.sop_instance_uid,)}
    )
    assert prevailing_prior([]) is None
    assert prevailing_prior([template]) is None
    assert prevailing_prior([second, first, template]) is second
    ring = first.model_copy(update={"predecessors": ("1.9",)})
    assert prevailing_prior([ring, second]) in (ring, second)


@pytest.mark.filterwarnings("ignore:.*")
@pytest.mark.parametrize("seed", range(30))
def test_bytes_changed_at_random_never_raise(tid1500, seed):
    buffer = BytesIO()
    tid1500.save_as(buffer, enforce_file_format=True)
    data = bytearray(buffer.getvalue())
    random = np.random.default_rng(seed)
    for place in random.integers(200, len(data), 40):
        data[place] = random.integers(256)
    try:
        document = pydicom.dcmread(BytesIO(bytes(data)), force=True)
    except Exception:  # noqa: BLE001 - the file cannot be read at all; whoever opens it says so
        return
    assert isinstance(read_prior(document), (ForeignReport, OwnReport, Unreadable))


@pytest.mark.parametrize(("title", "rejected"), [("113037", {"1.2.9"}), ("113000", set())])
def test_a_key_object_document_of_rejection_takes_reports_out_of_use(title, rejected):
    instance, series, study = Dataset(), Dataset(), Dataset()
    instance.ReferencedSOPInstanceUID = "1.2.9"
    series.ReferencedSOPSequence, study.ReferencedSeriesSequence = [instance], [series]
    document = Dataset()
    document.ConceptNameCodeSequence = [_code(title, "DCM", "title")]
    document.CurrentRequestedProcedureEvidenceSequence = [study]
    assert rejected_by(document) == rejected
    assert rejected_by(Dataset()) == set()
