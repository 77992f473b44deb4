"""What goes out with a signed report, over the network and from the command line."""

import json
import subprocess

import pytest

from dicom_service.cli import main
from dicom_service.errors import NotFound
from dicom_service.validators import outside_problems
from test_pacs.clinic import Clinic
from tests.job.helpers import PASSWORD, signed_in, signed_study

pytestmark = pytest.mark.peer
OPTIONS = {"settle_seconds": 0.5, "retry_first_seconds": 0.2, "send_presentation_states": True}


def printed(program, folder, pdf: bytes) -> str:
    (folder / "printed.pdf").write_bytes(pdf)
    command = [program("pdftotext"), str(folder / "printed.pdf"), "-"]
    return subprocess.run(command, capture_output=True, text=True, check=True).stdout


def test_companions_reach_the_archive_with_the_report_and_the_files_say_the_same(
    tmp_path, program, capsys
):
    with Clinic(tmp_path, options=OPTIONS) as clinic:
        reader = signed_in(clinic.service.store, clinic.service.address)
        uid, _ = signed_study(clinic, reader)
        reader.wait_for(uid, "committed")
        kept = {}
        for dataset in clinic.archive.stored(uid):
            kept.setdefault(dataset.Modality, []).append(dataset)
        roles = {d["role"] for d in reader.open(uid)["documents"]}
        body = {"text": "Told by telephone.", "password": PASSWORD}
        reader.request("POST", f"api/studies/{uid}/addendum", body)
        reader.wait_for(uid, "committed")
        after = [d for d in clinic.archive.stored(uid) if d.Modality in ("KO", "PR", "DOC")]
        data = clinic.service.store.folder
        versions = [d for d in reader.open(uid)["documents"] if d["role"] == "report"]
        desk = clinic.service.desk
        each = [desk.report_pdf(uid, d["sop_instance_uid"]) for d in versions]
        with pytest.raises(NotFound):
            desk.report_pdf(uid, "1.2.3")
    for number, (version, made) in enumerate(zip(versions, each, strict=True)):
        assert version["signed_at"]
        said = printed(program, tmp_path, made)
        assert ("Told by telephone." in said) is bool(number), "each version says what it said"
    assert roles == {"report", "measurements", "pdf", "key_images", "presentation"}
    for number, dataset in enumerate(d for m in ("KO", "PR", "DOC") for d in kept[m]):
        file = tmp_path / f"{number}.dcm"
        dataset.save_as(file, enforce_file_format=True)
        assert outside_problems(file) == []
    report = next(d for d in kept["SR"] if d.get("ReferencedInstanceSequence"))
    (pdf,) = kept["DOC"]
    (rendering,) = report.ReferencedInstanceSequence
    assert rendering.ReferencedSOPInstanceUID == pdf.SOPInstanceUID
    assert pdf.SourceInstanceSequence[0].ReferencedSOPInstanceUID == report.SOPInstanceUID
    evidence = {
        r.ReferencedSOPInstanceUID
        for s in report.CurrentRequestedProcedureEvidenceSequence
        for series in s.ReferencedSeriesSequence
        for r in series.ReferencedSOPSequence
    }
    assert {d.SOPInstanceUID for m in ("KO", "PR") for d in kept[m]} <= evidence
    assert sorted(d.Modality for d in after) == ["DOC", "DOC", "KO", "PR"]

    out = tmp_path / "out"
    assert main(["--data", str(data), "export", uid, str(out)]) == 0
    text = (out / "report.txt").read_text("utf-8")
    assert "Told by telephone." in text
    newest = printed(program, tmp_path, (out / "report.pdf").read_bytes())
    assert "Told by telephone." in newest
    assert "Key images" in newest
    bundle = json.loads((out / "report.fhir.json").read_text("utf-8"))
    assert bundle["entry"][0]["resource"]["status"] == "appended"
    assert len(list(out.glob("*.dcm"))) == 8


def test_a_site_that_wants_the_reports_only_gets_the_reports_only(tmp_path):
    options = {"settle_seconds": 0.5, "send_pdf": False, "send_key_images": False}
    with Clinic(tmp_path, options=options) as clinic:
        reader = signed_in(clinic.service.store, clinic.service.address)
        uid, _ = signed_study(clinic, reader)
        reader.wait_for(uid, "committed")
        documents = [d for d in clinic.archive.stored(uid) if d.Modality != "CR"]
    assert {d.Modality for d in documents} == {"SR"}
    assert not any("ReferencedInstanceSequence" in d for d in documents)
