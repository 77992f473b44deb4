"""An earlier visit, read and signed by an invented colleague: what today's is compared with."""

import secrets

from dicom_service.passwords import hash_password
from dicom_service.review.computed import Computed
from dicom_service.review.model import Measurement, Reading, Template
from test_pacs.clinic import Clinic
from test_pacs.reader import ReaderClient, item_of, normal_reading, with_finding
from test_pacs.studies import DemoStudy

COLLEAGUE = "colleague"
_STRUCTURE = "soft_medial"


def sign_earlier(clinic: Clinic, study: DemoStudy) -> None:
    """Sign a slight swelling of the carpus, with its thickness along the limb, on the DPa view.

    Nobody knows the colleague's password afterwards.
    """
    password = secrets.token_urlsafe(9)
    clinic.service.store.add_user(
        COLLEAGUE, "Fenwick^Noor^^Dr", hash_password(password), ["reader"]
    )
    client = ReaderClient(clinic.service.address)
    client.sign_in(COLLEAGUE, password)
    uid = str(study.datasets[0].StudyInstanceUID)
    client.wait_for(uid, "waiting")
    opened = client.open(uid)
    template = Template.model_validate(opened["template"])
    reading = _read(template, Reading.model_validate(opened["reading"]), study)
    saved = client.save(uid, opened["version"], reading)
    client.sign(uid, saved["version"], password)


def _read(template: Template, opening: Reading, study: DemoStudy) -> Reading:
    reading = with_finding(
        template,
        normal_reading(template, opening),
        _STRUCTURE,
        ["swelling_joint"],
        impression="Slight soft tissue swelling centred on the carpus. (This report is made up.)",
    )
    (finding,) = reading.findings
    finding = finding.model_copy(update={"severity": "mild"})
    joint = study.truths[0].image["antebrachiocarpal"]
    measured = Measurement(
        id="m-swelling",
        item=item_of(template, _STRUCTURE).id,
        view=str(study.datasets[0].SOPInstanceUID),
        kind="computed",
        points=(joint,),
        finding=finding.id,
        computed=Computed(kind="swelling_profile"),
    )
    return reading.model_copy(
        update={
            "findings": (finding,),
            "measurements": (measured,),
            "recommendations": "Films again if it does not go down.",
        }
    )
