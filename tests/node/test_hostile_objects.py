"""Objects that are broken, or made to break the node: refused with a reason, and harmless."""

import io
import logging
import struct

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from pydicom.dataset import Dataset
from pydicom.sequence import Sequence
from pydicom.uid import ExplicitVRLittleEndian, ImplicitVRLittleEndian

from dicom_service.errors import BadObject
from dicom_service.node.structure import walk
from dicom_service.store.digests import dataset_offset
from tests.node.conftest import CR, image, send_raw, wait_for, written

SYNTAXES = {"explicit": ExplicitVRLittleEndian, "implicit": ImplicitVRLittleEndian}


def _data_set(made) -> bytes:
    file = written(made)
    return file[dataset_offset(file[:144]) :]


def _element(tag, vr, value, length=None) -> bytes:
    length = len(value) if length is None else length
    head = struct.pack("<HH", tag >> 16, tag & 0xFFFF) + vr
    if vr in (b"SQ", b"OB", b"UN"):
        return head + bytes(2) + struct.pack("<L", length) + value
    return head + struct.pack("<H", length) + value


def _nested(depth, undefined) -> bytes:
    value = b""
    for _ in range(depth):
        if undefined:
            item = b"\xfe\xff\x00\xe0\xff\xff\xff\xff" + value + b"\xfe\xff\x0d\xe0" + bytes(4)
            value = _element(0x00081140, b"SQ", item, 0xFFFFFFFF) + b"\xfe\xff\xdd\xe0" + bytes(4)
        else:
            item = b"\xfe\xff\x00\xe0" + struct.pack("<L", len(value)) + value
            value = _element(0x00081140, b"SQ", item)
    return value


def _without(keyword):
    def change(made):
        delattr(made, keyword)

    return change


def _with(keyword, value):
    def change(made):
        made[keyword].value = value

    return change


BROKEN = {
    "without a study": (_without("StudyInstanceUID"), "no Study Instance UID"),
    "without a series": (_without("SeriesInstanceUID"), "no Series Instance UID"),
    "of another class": (_with("SOPClassUID", "1.2.840.10008.5.1.4.1.1.2"), "SOP Class UID"),
    "of another instance": (_with("SOPInstanceUID", "1.2.3"), "SOP Instance UID"),
    "with letters in its study": (_with("StudyInstanceUID", "1.2.x"), "not a valid UID"),
    "with a path as its study": (_with("StudyInstanceUID", "../../x"), "not a valid UID"),
    "with too long a study": (_with("StudyInstanceUID", "1." + "2" * 63), "not a valid UID"),
}


@pytest.fixture
def refused(running, caplog):
    """Sends bytes and checks that they are refused and leave nothing; returns the reason."""
    caplog.set_level(logging.INFO)

    def send(data, instance, sop_class=CR, syntax=ExplicitVRLittleEndian) -> str:
        association = running.associate([(sop_class, syntax)])
        answer = send_raw(association, data, sop_class, instance)
        association.release()
        assert answer.Status == 0xA900
        assert running.leftovers() == []
        assert running.store.studies() == []
        (record,) = [r for r in caplog.records if "refused" in r.message]
        assert "\n" not in record.getMessage()
        assert running.send(image())[0].Status == 0  # and it goes on serving
        return str(answer.ErrorComment)

    return send


@pytest.mark.filterwarnings("ignore:.*UI.*:UserWarning")
@pytest.mark.parametrize("name", BROKEN)
def test_an_object_is_refused_with_the_reason(refused, name):
    change, reason = BROKEN[name]
    made = image()
    instance = str(made.SOPInstanceUID)
    change(made)
    assert reason in refused(_data_set(made), instance)


@pytest.mark.parametrize(
    "data", [b"GIF89a, certainly not DICOM" * 20, b"\0" * 1000, b"\xff" * 1001, b"x"]
)
def test_what_is_not_dicom_is_refused(refused, data):
    assert refused(data, "1.2.3")


@pytest.mark.parametrize("rows", [8, 600], ids=["in memory", "in a file"])
def test_an_object_that_ends_within_the_head_of_an_element_is_refused(refused, rows):
    made = image(rows=rows, columns=rows)
    refused(_data_set(made) + b"\xfc\xff\xfc", str(made.SOPInstanceUID))


@pytest.mark.parametrize("missing", [1, 100, 6000])
def test_a_truncated_image_is_refused(refused, missing):
    made = image()
    reason = refused(_data_set(made)[:-missing], str(made.SOPInstanceUID))
    assert "truncated" in reason or "no Study" in reason


@pytest.mark.parametrize("undefined", [True, False])
def test_endless_nesting_is_refused_before_anything_recurses(refused, undefined):
    made = image()
    data = _data_set(made)
    at = data.index(b"\x10\x00\x10\x00PN")
    bomb = data[:at] + _nested(400, undefined) + data[at:]
    assert "nests" in refused(bomb, str(made.SOPInstanceUID))


def test_an_absurdly_long_name_is_refused(refused):
    made = image()
    name = _element(0x00100010, b"PN", b"Vreeland^Rex")
    data = _data_set(made)
    assert name in data
    long = data.replace(name, _element(0x00100010, b"PN", b"x" * 20_000))
    assert "absurdly long" in refused(long, str(made.SOPInstanceUID))


def test_a_name_with_line_breaks_stays_on_one_line(running):
    made = image(PatientName="Rex__INFO forged")
    data = _data_set(made).replace(b"Rex__INFO", b"Rex\r\nINFO")
    association = running.associate()
    assert send_raw(association, data, CR, str(made.SOPInstanceUID)).Status == 0
    association.release()
    assert running.store.studies()[0].patient_name == "Rex??INFO forged"


@pytest.mark.parametrize("charset", ["ISO_IR 192", "NO SUCH SET", "ISO 2022 IR 87\\ISO_IR 13"])
@pytest.mark.filterwarnings("ignore::UserWarning")
def test_an_odd_character_set_does_not_lose_the_image(running, charset):
    made = image()
    made.SpecificCharacterSet = "ISO_IR 192"
    made.PatientName = "Ødegård^Jón"
    data = _data_set(made).replace(b"ISO_IR 192", charset.encode().ljust(10)[:10])
    association = running.associate()
    answer = send_raw(association, data, CR, str(made.SOPInstanceUID))
    association.release()
    assert answer.Status == 0
    if charset == "ISO_IR 192":
        assert running.store.studies()[0].patient_name == "Ødegård^Jón"


def _sample() -> Dataset:
    made = image(rows=4, columns=4)
    item = Dataset()
    item.ReferencedSOPClassUID, item.ReferencedSOPInstanceUID = "1.2", "1.3"
    inner = Dataset()
    inner.ReferencedSOPSequence = Sequence([item, item])
    made.ReferencedSeriesSequence = Sequence([inner])
    made["ReferencedSeriesSequence"].is_undefined_length = True
    made.ReferencedImageSequence = Sequence([])
    return made


def _walk(data, explicit=True):
    return walk(io.BytesIO(data), 0, len(data), explicit, {0x0020000D})


@pytest.mark.parametrize("explicit", [True, False])
def test_a_good_data_set_is_walked_to_its_end(explicit):
    made = _sample()
    if not explicit:
        made.file_meta.TransferSyntaxUID = ImplicitVRLittleEndian
    found = _walk(_data_set(made), explicit)
    assert found[0x0020000D].decode().strip("\0") == made.StudyInstanceUID


@pytest.mark.parametrize("explicit", [True, False])
def test_a_data_set_cut_anywhere_within_an_element_is_found_out(explicit):
    made = _sample()
    if not explicit:
        made.file_meta.TransferSyntaxUID = ImplicitVRLittleEndian
    data = _data_set(made)
    whole = [length for length in range(1, len(data)) if _passes(data[:length], explicit)]
    # Only where a top-level element ends; there is one such place for each element but the last.
    assert len(whole) == len(made) - 1


def _passes(data, explicit) -> bool:
    try:
        _walk(data, explicit)
    except BadObject:
        return False
    return True


@settings(max_examples=120, deadline=None)
@given(st.binary(max_size=400), st.booleans())
def test_any_bytes_are_either_walked_or_refused(data, explicit):
    _passes(data, explicit)  # anything else than BadObject fails


@settings(max_examples=80, deadline=None)
@given(st.data())
def test_a_damaged_data_set_is_either_walked_or_refused(data):
    good = bytearray(_data_set(_SAMPLE))
    for _ in range(data.draw(st.integers(1, 5))):
        good[data.draw(st.integers(0, len(good) - 1))] = data.draw(st.integers(0, 255))
    _passes(bytes(good), True)


_SAMPLE = _sample()


def test_an_aborted_object_leaves_nothing(running):
    association = running.associate()
    made = image(1000, 1000)
    data = _data_set(made)

    from pynetdicom.dimse_messages import C_STORE_RQ
    from pynetdicom.dimse_primitives import C_STORE

    request = C_STORE()
    request.MessageID, request.Priority = 1, 2
    request.AffectedSOPClassUID = CR
    request.AffectedSOPInstanceUID = made.SOPInstanceUID
    request.DataSet = io.BytesIO(data)
    message = C_STORE_RQ()
    message.primitive_to_message(request)
    parts = list(message.encode_msg(association.accepted_contexts[0].context_id, 16384))
    for part in parts[:-5]:
        association.dul.send_pdu(part)
    wait_for(running.leftovers)
    association.abort()
    wait_for(lambda: running.leftovers() == [])
    assert running.store.studies() == []
