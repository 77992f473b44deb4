"""What the whole-job tests do again and again."""

from dicom_service.passwords import hash_password
from dicom_service.review.model import Reading, Template
from test_pacs.clinic import Clinic
from test_pacs.reader import ReaderClient, normal_reading, with_finding
from test_pacs.sending import send
from test_pacs.studies import small_study

USER, PASSWORD = "ida", "a long enough password"


def signed_in(store, address) -> ReaderClient:
    store.add_user(USER, "Vreeland^Ida^^Dr", hash_password(PASSWORD), ["reader"])
    client = ReaderClient(address)
    client.sign_in(USER, PASSWORD)
    return client


def read_and_save(client: ReaderClient, study_uid: str, *, finding: str = "") -> int:
    """A complete reading, saved; `finding` names a structure with a measured fracture line."""
    opened = client.open(study_uid)
    template = Template.model_validate(opened["template"])
    reading = normal_reading(template, Reading.model_validate(opened["reading"]))
    if finding:
        reading = with_finding(
            template,
            reading,
            finding,
            ["fracture_line"],
            points=[(60.0, 60.0), (60.0, 90.0)],
            impression="Fracture.",
        )
    saved = client.save(study_uid, opened["version"], reading)
    assert [gap for gap in saved["gaps"] if gap["blocking"]] == []
    return int(saved["version"])


def signed_study(
    clinic: Clinic, reader: ReaderClient, *, finding: str = "radius_distal"
) -> tuple[str, int]:
    """A small study, routed, read and signed: its UID, and the version that was signed."""
    images = small_study()
    send(images, clinic.archive.port, clinic.archive.ae_title)
    uid = str(images[0].StudyInstanceUID)
    reader.wait_for(uid, "waiting")
    version = read_and_save(reader, uid, finding=finding)
    reader.sign(uid, version, PASSWORD)
    return uid, version
