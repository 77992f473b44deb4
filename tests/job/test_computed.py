"""Computed measurements through the whole node: the node's word counts, not the panel's."""

import pydicom
import pytest

from dicom_service import report
from dicom_service.review.computed import Computed, ComputedNumber
from dicom_service.review.model import Measurement, Reading, Template
from test_pacs.reader import RequestRefused, normal_reading
from test_pacs.sending import send
from test_pacs.studies import demo_study
from tests.job.helpers import PASSWORD

JOINT = ((522.0, 1010.0), (547.0, 1010.0))
OBLIQUE = ((420.0, 1210.0), (455.0, 1215.0))


def computed(template: Template, view: str, points, **claims) -> Measurement:
    item = next(i for i in template.items if i.section == "cartilage" and view in i.visibility)
    made = Computed(kind="joint_space", **claims)
    return Measurement(
        id="c-1", item=item.id, view=view, kind="computed", points=points, computed=made
    )


def test_the_node_computes_what_the_panel_claims_and_signs_its_own_numbers(clinic, reader):
    demo = demo_study("lame labrador")
    send(demo.datasets, clinic.archive.port, clinic.archive.ae_title)
    uid = str(demo.datasets[0].StudyInstanceUID)
    images = {str(d.ViewPosition): str(d.SOPInstanceUID) for d in demo.datasets}
    reader.wait_for(uid, "waiting")
    opened = reader.open(uid)
    template = Template.model_validate(opened["template"])
    reading = normal_reading(template, Reading.model_validate(opened["reading"]))
    # What the image does not allow is not kept.
    oblique = computed(template, images["DPA"], OBLIQUE)
    with pytest.raises(RequestRefused, match="not tangential"):
        reader.save(uid, 0, reading.model_copy(update={"measurements": (oblique,)}))
    assert reader.open(uid)["version"] == 0
    false = ComputedNumber(id="minimum", value=99.0, unit="mm")
    claim = computed(template, images["DPA"], JOINT, numbers=(false,), method="mine", version="9")
    reading = reading.model_copy(update={"measurements": (claim,)})
    saved = reader.save(uid, opened["version"], reading)
    (kept,) = saved["reading"]["measurements"]
    assert kept["value"] == pytest.approx(1.28, abs=0.15)
    assert kept["computed"]["method"] == "sesamoid.joint_space"
    assert kept["computed"]["numbers"][0]["plus_minus"] > 0
    assert len(kept["computed"]["shapes"]) == 3
    assert "detector" in kept["calibration"]
    # Saved again with another false number it stays the node's.
    again = reader.save(uid, saved["version"], reading)
    assert again["reading"]["measurements"] == saved["reading"]["measurements"]
    reader.sign(uid, again["version"], PASSWORD)
    (row,) = [
        d for d in clinic.service.store.documents(uid) if d.kind == "final" and d.role == "report"
    ]
    signed = pydicom.dcmread(row.path)
    (measured,) = report.read(signed).reading.measurements
    assert measured.value == kept["value"]
    assert measured.computed is not None
    assert measured.computed.version == kept["computed"]["version"]
