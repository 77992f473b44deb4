"""What the demo begins with: an animal that was here before, so that change can be seen."""

import datetime

import pytest

from test_pacs.earlier import sign_earlier
from test_pacs.phantom.objects import image_object
from test_pacs.sending import send
from test_pacs.studies import _DEMOS, EARLIER, _small_image, _visit, demo_study

STRUCTURES = ("soft_medial", "soft_lateral")


@pytest.mark.parametrize("today", ["2026-01-31", "2026-03-01", "2026-08-30", "2028-02-29"])
def test_the_earlier_study_is_of_an_animal_born_on_the_same_day(today):
    day, exposed = datetime.date.fromisoformat(today), _small_image("dog", "DPa", "R")
    now, then = (
        image_object(demo.animal, _visit(demo, "", day), exposed, 1)
        for demo in (_DEMOS["swollen carpus"], _DEMOS[EARLIER])
    )
    assert (then.PatientID, then.PatientName) == (now.PatientID, now.PatientName)
    assert then.PatientBirthDate == now.PatientBirthDate
    assert then.StudyDate < now.StudyDate
    assert then.PatientComments == "INVENTED DEMO DATA"


def test_an_invented_colleague_has_signed_it_and_today_is_compared_with_it(clinic, reader):
    before, again = demo_study(EARLIER), demo_study(EARLIER)
    send(before.datasets, clinic.archive.port, clinic.archive.ae_title)
    sign_earlier(clinic, before)
    for image in again.datasets:
        image.StudyDate = datetime.date.today().strftime("%Y%m%d")
    send(again.datasets, clinic.archive.port, clinic.archive.ae_title)
    uid = str(again.datasets[0].StudyInstanceUID)
    reader.wait_for(uid, "waiting")
    opened = reader.open(uid)
    (prior,) = reader.request("GET", f"api/studies/{uid}/priors")["studies"]
    assert "This report is made up." in prior["report"]["impression"]
    items = [i["id"] for i in opened["template"]["items"] if i["structure"] in STRUCTURES]
    assert len(items) == 2
    # The profile runs along the limb: it is the same from whatever structure it was begun.
    for item in items:
        measured = {"id": "c-1", "item": item, "view": str(again.datasets[0].SOPInstanceUID),
                    "kind": "computed", "points": [again.truths[0].image["antebrachiocarpal"]],
                    "computed": {"kind": "swelling_profile"}}  # fmt: skip
        asked = {"measurements": [measured]}
        (found,) = reader.request("POST", f"api/studies/{uid}/changes", asked)["changes"]
        (change, *_) = found["against"][0]["compared"]["changes"]
        assert change["id"] == "thickest"
        assert change["real"] is False
        assert len(found["series"][0]["points"]) == 2
