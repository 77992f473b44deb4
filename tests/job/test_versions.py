"""One report through its life over the network: signed, continued, corrected, withdrawn."""

import io
import time

import pydicom
import pytest

from dicom_service import report
from dicom_service.passwords import hash_password
from dicom_service.review.model import Reading
from test_pacs.reader import ReaderClient, RequestRefused
from test_pacs.sending import send
from test_pacs.studies import late_image, small_study
from tests.job.helpers import PASSWORD, read_and_save, signed_study

WORDS = "Перелом, 骨折 🐕"


def _post(reader, uid, what, **body):
    return reader.request("POST", f"api/studies/{uid}/{what}", body)


def _held(clinic, reader, uid, count):
    """Our documents in the archive, oldest first, once it has committed to all of them."""
    deadline = time.monotonic() + 30
    while True:
        row = reader.wait_for(uid, "committed")
        ours = [d for d in clinic.archive.stored(uid) if d.Modality == "SR" or _is_withdrawal(d)]
        if len(ours) == count:
            return row, sorted(ours, key=lambda d: d.SeriesNumber)
        assert time.monotonic() < deadline, (row, len(ours))
        time.sleep(0.1)


def _is_withdrawal(document):
    titles = ("113001", "113037")
    return document.Modality == "KO" and document.ConceptNameCodeSequence[0].CodeValue in titles


def _predecessors(document):
    return {
        row.ReferencedSOPInstanceUID: row.PurposeOfReferenceCodeSequence[0].CodeValue
        for study in document.get("PredecessorDocumentsSequence") or []
        for series in study.ReferencedSeriesSequence
        for row in series.ReferencedSOPSequence
    }


def _reword(reader, uid, text):
    opened = reader.open(uid)
    reading = Reading.model_validate(opened["reading"]).model_copy(update={"impression": text})
    return reader.save(uid, opened["version"], reading)["version"]


def test_the_archive_holds_the_whole_chain_and_the_version_to_go_by_is_known(clinic, reader):
    uid, _ = signed_study(clinic, reader)
    _post(reader, uid, "addendum", text=WORDS, password=PASSWORD)
    assert reader.open(uid)["prevailing"]["kind"] == "addendum"
    # Said again, as by somebody who did not hear that it was kept: it is there once.
    _post(reader, uid, "addendum", text=WORDS, password=PASSWORD)
    assert reader.open(uid)["prevailing"]["number"] == 2

    opened = _post(reader, uid, "correction-of-report", reason=f"Side, {WORDS}")
    assert (opened["state"], opened["correcting"]["reason"]) == ("reading", f"Side, {WORDS}")
    assert opened["prevailing"]["kind"] == "addendum"
    reader.sign(uid, _reword(reader, uid, WORDS), PASSWORD)
    after = reader.open(uid)
    assert (after["state"], after["correcting"]) == ("signed", None)
    assert {k: after["prevailing"][k] for k in ("kind", "number", "of", "withdrawn")} == {
        "kind": "correction",
        "number": 3,
        "of": 3,
        "withdrawn": False,
    }
    _post(reader, uid, "withdrawal", reason="safety", text=WORDS, password=PASSWORD)
    row, held = _held(clinic, reader, uid, 7)

    assert len({d.SeriesInstanceUID for d in held}) == 7
    first, first_m, second, second_m, third, third_m, withdrawal = held
    assert _predecessors(first) == {}
    assert _predecessors(second) == {first.SOPInstanceUID: "121361"}
    assert _predecessors(second_m) == {first_m.SOPInstanceUID: "121361"}
    assert _predecessors(third) == dict.fromkeys(
        (first.SOPInstanceUID, second.SOPInstanceUID), "121360"
    )
    assert _predecessors(third_m) == dict.fromkeys(
        (first_m.SOPInstanceUID, second_m.SOPInstanceUID), "121360"
    )
    corrected = report.read(third)
    assert corrected.reading == Reading.model_validate(after["reading"])
    assert corrected.addenda[0].text == WORDS
    assert corrected.corrections[0].text.splitlines() == [
        f"Side, {WORDS}",
        "What was changed:",
        "Reworded: impression.",
    ]
    said = report.read_withdrawal(withdrawal)
    assert (said.reason, said.text) == ("safety", WORDS)
    signed = [d for d in reader.open(uid)["documents"] if d["role"] != "withdrawal"]
    assert {d["role"] for d in signed} == {"report", "measurements", "pdf", "key_images"}
    assert {d.sop_instance_uid for d in said.documents} == {d["sop_instance_uid"] for d in signed}
    newest = report.prevailing(v for d in held if (v := report.version_of(d)) is not None)
    assert newest.sop_instance_uid == after["prevailing"]["sop_instance_uid"]
    assert (row["state"], row["report_kind"], row["report_versions"]) == (
        "withdrawn",
        "withdrawal",
        3,
    )
    assert reader.open(uid)["prevailing"]["withdrawn"]
    with pytest.raises(RequestRefused) as refused:
        _reword(reader, uid, "after the withdrawal")
    assert refused.value.status == 409

    _post(reader, uid, "correction-of-report", reason="Now the right animal.")
    reader.sign(uid, _reword(reader, uid, "Right."), PASSWORD)
    row, held = _held(clinic, reader, uid, 9)
    assert row["state"] == "signed"
    again = reader.open(uid)["prevailing"]
    assert (again["number"], again["withdrawn"]) == (4, False)


def test_signing_the_same_version_twice_makes_one_report(clinic, reader):
    uid, version = signed_study(clinic, reader, finding="")
    again = reader.sign(uid, version, PASSWORD)
    assert [d["role"] for d in again["documents"]] == ["report", "pdf"]
    with pytest.raises(RequestRefused):
        reader.sign(uid, version - 1, PASSWORD)
    clinic.service.store.add_user("bo", "Nagy^Bo", hash_password(PASSWORD), ["reader"])
    other = ReaderClient(clinic.service.address)
    other.sign_in("bo", PASSWORD)
    with pytest.raises(RequestRefused) as refused:
        other.sign(uid, version, PASSWORD)
    assert refused.value.status == 409
    _post(reader, uid, "correction-of-report", reason="Side.")
    with pytest.raises(RequestRefused) as refused:
        _post(other, uid, "correction-of-report", reason="Side too.")
    assert "has opened this report" in refused.value.problem["detail"]
    with pytest.raises(RequestRefused) as refused:
        reader.sign(uid, reader.open(uid)["version"], PASSWORD)
    assert "nothing differs" in refused.value.problem["detail"]
    with pytest.raises(RequestRefused) as refused:
        reader.sign(uid, version, PASSWORD)
    assert refused.value.status == 412
    back = reader.request("DELETE", f"api/studies/{uid}/correction-of-report")
    assert (back["state"], back["correcting"]) == ("signed", None)
    assert [d["role"] for d in reader.open(uid)["documents"]].count("report") == 1


def test_late_images_of_a_signed_study_are_taken_in_by_a_correction(clinic, reader):
    uid, _ = signed_study(clinic, reader, finding="")
    images = [d for d in clinic.archive.stored(uid) if d.Modality == "CR"]
    send([late_image(images)], clinic.archive.port, clinic.archive.ae_title)
    deadline = time.monotonic() + 20
    while reader.open(uid)["late_objects"] != 1:
        assert time.monotonic() < deadline
        time.sleep(0.05)
    opened = _post(reader, uid, "correction-of-report", reason="Another view came.")
    assert len(opened["template"]["views"]) == len(images) + 1
    reader.sign(uid, read_and_save(reader, uid), PASSWORD)
    _, held = _held(clinic, reader, uid, 2)
    remark = report.read(held[-1]).corrections[0].text
    assert "View added:" in remark
    (evidence,) = held[-1].CurrentRequestedProcedureEvidenceSequence
    named = {
        row.ReferencedSOPInstanceUID
        for series in evidence.ReferencedSeriesSequence
        for row in series.ReferencedSOPSequence
    }
    assert {d.SOPInstanceUID for d in clinic.archive.stored(uid) if d.Modality == "CR"} <= named


def test_a_draft_is_a_document_that_nobody_hassigned_study(clinic, reader):
    images = small_study()
    send(images, clinic.archive.port, clinic.archive.ae_title)
    uid = str(images[0].StudyInstanceUID)
    reader.wait_for(uid, "waiting")
    read_and_save(reader, uid, finding="radius_distal")
    draft = pydicom.dcmread(io.BytesIO(reader.download(f"api/studies/{uid}/draft")))
    flags = (draft.CompletionFlag, draft.VerificationFlag, draft.PreliminaryFlag)
    assert flags == ("PARTIAL", "UNVERIFIED", "PRELIMINARY")
    assert report.read(draft).reading == Reading.model_validate(reader.open(uid)["reading"])
    assert report.problems(draft, None, images) == ()
    assert [d.Modality for d in clinic.archive.stored(uid) if d.Modality != "CR"] == []


def test_a_newer_version_from_elsewhere_is_pointed_out(clinic, reader):
    uid, _ = signed_study(clinic, reader, finding="")
    _, (first,) = _held(clinic, reader, uid, 1)
    newer = pydicom.Dataset()
    newer.update(first)
    newer.file_meta = first.file_meta
    newer.SOPInstanceUID = newer.file_meta.MediaStorageSOPInstanceUID = f"{uid}.99.1"
    newer.SeriesInstanceUID = f"{uid}.99"
    newer.VerifyingObserverSequence[0].VerificationDateTime = "20990101120000.000000+0000"
    send([newer], clinic.service.dimse_port, clinic.settings.ae_title)
    found = reader.open(uid)["newer_in_archive"]
    assert [version["sop_instance_uid"] for version in found] == [f"{uid}.99.1"]


@pytest.mark.parametrize("clinic", [{"store_templates": True}], indirect=True)
def test_a_template_that_the_archive_got_is_named_by_the_report(clinic, reader):
    uid, _ = signed_study(clinic, reader, finding="")
    _, (template, final) = _held(clinic, reader, uid, 2)
    assert template.CompletionFlag == "PARTIAL"
    assert _predecessors(final) == {template.SOPInstanceUID: "121363"}


def test_a_species_that_the_images_have_wrong_is_put_right_and_the_report_says_so(clinic, reader):
    images = small_study(species="cat")
    send(images, clinic.archive.port, clinic.archive.ae_title)
    uid = str(images[0].StudyInstanceUID)
    reader.wait_for(uid, "waiting")
    read_and_save(reader, uid)
    before = reader.open(uid)
    assert (before["template"]["species"], before["facts"]["signalment"]["species"]) == (
        "cat",
        "cat",
    )
    for wrong in ("dragon", "../dog"):
        with pytest.raises(RequestRefused) as refused:
            _post(reader, uid, "species", species=wrong)
        assert "There is no species" in refused.value.problem["detail"]
    after = _post(reader, uid, "species", species="dog")
    animal = after["facts"]["signalment"]
    assert (animal["species"], animal["species_found_in"]) == ("dog", "reader")
    assert after["template"]["species"] == "dog"
    kept = set(before["reading"]["observations"]) & {i["id"] for i in after["template"]["items"]}
    assert kept
    assert set(after["reading"]["observations"]) == kept
    assert any("put right by the reader" in r["text"] for r in after["facts"]["remarks"])
    reader.sign(uid, read_and_save(reader, uid), PASSWORD)
    signed = next(d for d in clinic.service.store.documents(uid) if d.kind == "final")
    document = pydicom.dcmread(signed.path)
    assert report.read(document).facts.signalment.species == "dog"
    told = [
        item.ConceptCodeSequence[0].CodeMeaning
        for item in document.ContentSequence
        if item.get("ConceptNameCodeSequence")
        and item.ConceptNameCodeSequence[0].CodeMeaning == "Subject Species"
    ]
    assert told == ["Canis lupus familiaris"]
    assert document.PatientSpeciesCodeSequence == images[0].PatientSpeciesCodeSequence
