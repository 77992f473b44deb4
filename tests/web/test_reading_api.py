"""What the panel and the reading list get from the API, and how errors are told."""

import pytest

from dicom_service.errors import NotReady, StorageFull
from dicom_service.review.model import Reading
from tests.web.conftest import PASSWORD, image

UID = "1.2.3"


@pytest.fixture
def opened(desk):
    desk.readings[UID] = (0, Reading(impression="before"))
    return f"/api/studies/{UID}"


def _reading(**values):
    return Reading(**values).model_dump(mode="json")


def _save(reader, path, version, **values):
    headers = {"If-Match": f'"{version}"'}
    return reader.send("PUT", f"{path}/reading", headers=headers, json=_reading(**values))


def test_a_panel_opens_a_study_with_its_version(reader, opened):
    answer = reader.get(f"{opened}/reading")
    assert answer.json["reading"]["impression"] == "before"
    assert answer.json["version"] == 0
    assert answer.headers["ETag"] == '"0"'
    assert {"facts", "template", "coverage", "gaps", "documents", "descriptors"} <= set(answer.json)


def test_a_save_gives_the_next_version(reader, opened, desk):
    saved = _save(reader, opened, 0, impression="after")
    assert saved.status_code == 200
    assert saved.json["version"] == 1
    assert saved.headers["ETag"] == '"1"'
    assert desk.readings[UID][1].impression == "after"


def test_a_save_on_an_old_version_says_which_is_current(reader, opened, desk):
    _save(reader, opened, 0, impression="first")
    refused = _save(reader, opened, 0, impression="second")
    assert refused.status_code == 412
    assert refused.json["current"] == 1
    assert refused.json["advice"]
    assert desk.readings[UID][1].impression == "first"


@pytest.mark.parametrize("given", [None, "", "*", '"x"', '"-1"', '"' + "9" * 40 + '"'])
def test_a_save_without_a_version_is_refused(reader, opened, given):
    headers = {} if given is None else {"If-Match": given}
    refused = reader.send("PUT", f"{opened}/reading", headers=headers, json=_reading())
    assert refused.status_code == 428


@pytest.mark.parametrize(
    ("change", "named"),
    [
        ({"impression": 7}, "impression"),
        ({"surprise": 1}, "surprise"),
        ({"observations": {"R.x": {"1.2": {"value": "great"}}}}, "observations.R.x.1.2.value"),
        ({"impression": "x" * 20001}, "impression"),
    ],
)
def test_a_wrong_reading_is_refused_with_the_place_of_the_mistake(reader, opened, change, named):
    refused = reader.send(
        "PUT", f"{opened}/reading", headers={"If-Match": '"0"'}, json=_reading() | change
    )
    assert refused.status_code == 422
    assert f" {named}: " in refused.json["detail"]


def test_the_preview_is_the_text_of_the_report(reader, opened):
    preview = reader.get(f"{opened}/preview").json
    assert preview == {"findings_text": "", "text": "before", "summary": ""}


def test_signing_takes_the_version_and_the_password(reader, opened, desk):
    body = {"version": 3, "password": PASSWORD}
    assert reader.send("POST", f"{opened}/sign", json=body).json == {"documents": []}
    assert desk.signed == [(UID, 3, "ida")]


def test_wrong_passwords_at_signing_must_wait_too(reader, opened, desk):
    for _ in range(4):
        body = {"version": 0, "password": "wrong password"}
        assert reader.send("POST", f"{opened}/sign", json=body).status_code == 403
    body["password"] = PASSWORD
    assert reader.send("POST", f"{opened}/sign", json=body).status_code == 429
    assert desk.signed == []


def test_an_addendum_is_handed_on_in_the_name_of_the_reader(reader, opened, desk):
    body = {"text": "Telephoned.", "password": PASSWORD}
    assert reader.send("POST", f"{opened}/addendum", json=body).status_code == 200
    assert desk.addenda == [(UID, "Telephoned.", "ida")]


def test_an_empty_addendum_is_refused(reader, opened, desk):
    body = {"text": "", "password": PASSWORD}
    assert reader.send("POST", f"{opened}/addendum", json=body).status_code == 422
    assert desk.addenda == []


def test_the_template_comes_as_json_or_as_a_dicom_file(reader, opened):
    assert reader.get(f"{opened}/template").json["study_uid"] == UID
    file = reader.get(f"{opened}/template", headers={"Accept": "application/dicom"})
    assert file.data == b"a DICOM file"
    assert file.content_type == "application/dicom"


@pytest.mark.parametrize("uid", ["..", "1.2.x", "1" * 65, "1..2", "1.2%0A", "%EF%BC%91.2"])
def test_what_is_no_uid_is_refused_before_anything_is_looked_up(reader, desk, uid):
    desk.trouble = AssertionError("looked up")
    refused = reader.get(f"/api/studies/{uid}/reading")
    assert refused.status_code in (400, 404)
    assert refused.content_type == "application/problem+json"


def test_an_unknown_study_is_a_problem_with_advice(reader):
    answer = reader.get("/api/studies/1.9/reading")
    assert answer.status_code == 404
    assert answer.content_type == "application/problem+json"
    assert answer.json == {
        "type": "about:blank",
        "title": "Not Found",
        "status": 404,
        "detail": "No study 1.9 is on this node.",
        "advice": "Check the address, or look in the reading list.",
    }


@pytest.mark.parametrize(
    ("error", "status"),
    [(NotReady("Still arriving."), 409), (StorageFull("The disk is full."), 507)],
)
def test_each_kind_of_error_has_its_status(reader, opened, desk, error, status):
    desk.trouble = error
    answer = reader.get(f"{opened}/reading")
    assert answer.status_code == status
    assert answer.json["detail"] == str(error)


def test_a_mistake_of_ours_shows_a_number_and_not_its_inside(reader, opened, desk, caplog):
    desk.trouble = RuntimeError("secret inside")
    answer = reader.get(f"{opened}/reading")
    assert answer.status_code == 500
    assert "secret" not in answer.text
    assert answer.json["error_id"] in caplog.text
    assert "secret inside" in caplog.text


def test_health_needs_no_session_and_tells_nothing_of_patients(client):
    answer = client.get("/api/health")
    assert answer.json["status"] == "ok"
    assert set(answer.json) == {"status", "version"}


def test_the_reading_list_shows_what_has_arrived(reader, keep):
    made = image()
    keep(made, image(study=made.StudyInstanceUID, series=made.SeriesInstanceUID))
    listed = reader.get("/api/studies").json
    assert listed["total"] == 1
    (row,) = listed["studies"]
    assert row["study_uid"] == made.StudyInstanceUID
    assert (row["state"], row["images"], row["patient_name"]) == ("arriving", 2, "Brandt^Bésame")
    assert row["question"] == ""


def test_the_reading_list_is_searched_filtered_and_paged(reader, keep):
    for number in range(5):
        keep(image(PatientName=f"Brandt^Pet{number}", PatientID=f"P{number}"))
    assert reader.get("/api/studies?text=pet3").json["studies"][0]["patient_id"] == "P3"
    page = reader.get("/api/studies?limit=2&offset=4").json
    assert (page["total"], len(page["studies"])) == (5, 1)
    assert reader.get("/api/studies?state=signed").json["total"] == 0
    assert reader.get("/api/studies?state=arriving,waiting").json["total"] == 5


@pytest.mark.parametrize("query", ["state=odd", "limit=-1", "limit=x", "offset=1e3", "limit=²"])
def test_a_wrong_question_to_the_list_is_refused(reader, query):
    assert reader.get(f"/api/studies?{query}").status_code == 400


def test_an_unchanged_list_is_not_sent_again(reader, keep):
    keep(image())
    tag = reader.get("/api/studies").headers["ETag"]
    again = reader.get("/api/studies", headers={"If-None-Match": tag})
    assert again.status_code == 304
    assert again.data == b""
    keep(image())
    assert reader.get("/api/studies", headers={"If-None-Match": tag}).status_code == 200


def test_a_script_in_a_name_is_only_ever_json(reader, keep):
    keep(image(PatientName="<script>alert(1)</script>^x"))
    answer = reader.get("/api/studies")
    assert answer.content_type == "application/json"
    assert answer.headers["X-Content-Type-Options"] == "nosniff"
    assert "<script>" not in reader.get("/").text.replace('<script type="module"', "")


def test_a_signed_report_is_opened_again_with_its_reason(reader, opened, desk):
    path = f"{opened}/correction-of-report"
    answer = reader.send("POST", path, json={"reason": "Сторона, 側"})
    assert answer.json["version"] == 0
    assert desk.reopened == [(UID, "ida", "Сторона, 側")]
    assert reader.send("POST", path, json={"reason": ""}).status_code == 422
    wrong = reader.send("POST", path, json={"reason": "side", "password": "guess"})
    assert wrong.status_code == 403
    assert len(desk.reopened) == 1
    assert reader.send("DELETE", path).status_code == 200
    assert desk.given_up == [(UID, "ida")]


@pytest.mark.parametrize(
    ("change", "status"),
    [
        ({}, 200),
        ({"reason": "boredom"}, 422),
        ({"text": ""}, 422),
        ({"password": "guess"}, 403),
    ],
)
def test_a_withdrawal_needs_a_known_reason_words_and_the_password(
    reader, opened, desk, change, status
):
    body = {"reason": "safety", "text": "Other animal.", "password": PASSWORD} | change
    assert reader.send("POST", f"{opened}/withdrawal", json=body).status_code == status
    done = [(UID, "safety", "Other animal.", "ida")]
    assert desk.withdrawn == (done if status == 200 else [])


def test_a_draft_comes_as_a_dicom_file(reader, opened):
    file = reader.get(f"{opened}/draft")
    assert (file.data, file.content_type) == (b"a draft of ida", "application/dicom")
    assert "attachment" in file.headers["Content-Disposition"]


def test_the_species_is_put_right_in_the_name_of_the_reader(reader, opened, desk):
    answer = reader.send("POST", f"{opened}/species", json={"species": "cat"})
    assert answer.status_code == 200
    assert answer.json["version"] == reader.get(f"{opened}/reading").json["version"]
    assert [(species, user) for _, species, user in desk.species] == [("cat", "ida")]
    for wrong, status in (({"species": "dragon"}, 400), ({}, 422), ({"species": 3}, 422)):
        assert reader.send("POST", f"{opened}/species", json=wrong).status_code == status
