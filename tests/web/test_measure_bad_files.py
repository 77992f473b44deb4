"""POST /api/studies/{uid}/measure on images that cannot be measured: the table of bad files."""

import io

import pydicom
import pytest

from dicom_service.web.dicomweb.incoming import read_instance_header
from tests.measure.bad_files import BAD, check, points_of
from tests.web.conftest import file_of


@pytest.mark.parametrize("name", BAD)
def test_a_bad_image_is_answered_with_a_sentence_and_no_wrong_number(reader, store, name):
    bad = BAD[name]
    found = bad.made()
    temp = store.incoming / "bad.dcm"
    temp.write_bytes(found if isinstance(found, bytes) else file_of(found))
    header = pydicom.dcmread(io.BytesIO(temp.read_bytes()), stop_before_pixels=True)
    store.accept(temp, read_instance_header(temp), source="test")
    request = {"image_uid": header.SOPInstanceUID, "kind": bad.kind, "points": points_of(bad),
               "true_mm": 25}  # fmt: skip
    url = f"/api/studies/{header.StudyInstanceUID}/measure"
    answer = reader.send("POST", url, json=request)
    assert answer.status_code == 200, answer.text
    check(name, bad, answer.json)
