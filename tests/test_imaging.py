"""A small compressed image that unfolds to a huge one is refused before it is decoded."""

import pydicom
import pytest
from pydicom.data import get_testdata_file

from dicom_service import imaging
from dicom_service.errors import BadObject
from dicom_service.measure import NotMeasurable
from dicom_service.workflow import measuring


@pytest.mark.parametrize("name", ["JPEG2000.dcm", "JPEG-LL.dcm", "MR_small_jpeg_ls_lossless.dcm"])
@pytest.mark.parametrize(
    "use",
    [lambda path: imaging.picture(path, pydicom.dcmread(path)), measuring.load],
    ids=["shown", "measured"],
)
def test_an_image_larger_than_its_header_says_is_not_decoded(use, name, tmp_path, monkeypatch):
    image = pydicom.dcmread(get_testdata_file(name))
    image.Rows = image.Rows // 2
    path = tmp_path / "small.dcm"
    image.save_as(path)
    decoded: list[object] = []
    monkeypatch.setattr(pydicom.Dataset, "pixel_array", property(decoded.append))
    monkeypatch.setattr(imaging, "pixel_array", lambda *_, **__: decoded.append(path))
    with pytest.raises((BadObject, NotMeasurable), match=r"it is not decoded|cannot be decoded"):
        use(path)
    assert decoded == []
