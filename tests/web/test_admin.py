"""The administrator's API, health and figures."""

from datetime import UTC, datetime

import pytest
from pynetdicom import AE, evt
from pynetdicom.sop_class import Verification

from dicom_service.errors import SesamoidError
from dicom_service.intake.model import Signalment, StudyFacts
from dicom_service.review.model import Template
from dicom_service.settings import Peer, Settings
from dicom_service.store import NewDocument
from dicom_service.web import create_app
from tests.web.conftest import PASSWORD, Buffered, SignedIn, dataset, file_of, image

AT = datetime(2026, 3, 1, 12, tzinfo=UTC)


@pytest.fixture
def admin(app) -> SignedIn:
    return SignedIn(app, "otto")


def _owe(store, study: str, *, refused: str = "") -> int:
    """A document of the study in the outbox; its number."""
    made = dataset(sop_class="1.2.840.10008.5.1.4.1.1.88.33", study=study, Modality="SR")
    document = NewDocument(
        kind="template", role="report", sop_instance_uid=made.SOPInstanceUID,
        sop_class_uid=made.SOPClassUID, series_uid=made.SeriesInstanceUID, data=file_of(made),
    )  # fmt: skip
    seen_at = max(i.received_at for i in store.instances(study))
    template = Template(study_uid=study, regions=(), views=(), items=())
    row = store.study(study)
    animal = Signalment(patient_name=row.patient_name, patient_id=row.patient_id)
    facts = StudyFacts(study_uid=study, signalment=animal)
    assert store.save_preparation(study, seen_at, facts, template, document, destinations=["pacs"])
    (row,) = store.outbox(study)
    if refused:
        store.outbox_refused([row], refused)
    return row.id


@pytest.mark.parametrize(
    ("method", "path"),
    [
        ("GET", "/admin"),
        ("GET", "/api/admin/overview"),
        ("POST", "/api/admin/peers/x/echo"),
        ("GET", "/api/admin/outbox"),
        ("POST", "/api/admin/outbox/retry"),
        ("GET", "/api/admin/quarantine"),
        ("GET", "/api/admin/audit"),
        ("POST", "/api/admin/audit/verify"),
    ],
)
def test_only_an_administrator_gets_in_and_who_tried_is_noted(reader, client, store, method, path):
    answer = reader.send(method, path, json={} if method == "POST" else None)
    assert answer.status_code == 403
    assert [(r.event, r.user) for r in store.audit_rows(limit=1)] == [("not allowed", "ida")]
    anonymous = client.open(path, method=method, json={} if method == "POST" else None)
    assert anonymous.status_code == (303 if path == "/admin" else 401)


def test_the_overview_counts_what_there_is(admin, store, keep):
    made = image()
    keep(made)
    _owe(store, made.StudyInstanceUID, refused="no")
    seen = admin.get("/api/admin/overview").json
    assert seen["studies"] == {"waiting": 1}
    assert seen["deliveries"] == {"refused": 1}
    assert seen["objects"] == 1
    assert 0 < seen["free_bytes"] < seen["disk_bytes"]
    assert seen["node"]["listening"] is True


@pytest.mark.parametrize(
    ("ports", "shown"),
    [((11113, 0), "11113"), ((0, 2762), "2762 (TLS)"), ((11113, 2762), "11113, 2762 (TLS)")],
)
def test_the_overview_shows_the_ports_that_are_open(tmp_path, store, desk, ports, shown):
    settings = Settings(data_folder=tmp_path, dimse_port=0)
    app = create_app(settings, store, desk, ports=lambda: ports)
    app.test_client_class = Buffered
    seen = SignedIn(app, "otto").get("/api/admin/overview").json
    assert seen["node"]["dimse"] == f"127.0.0.1:{shown}"


def test_a_refused_delivery_is_tried_again_when_an_administrator_says_so(app, admin, store, keep):
    made = image()
    keep(made)
    number = _owe(store, made.StudyInstanceUID, refused="The archive says no.")
    store.outbox_retry(store.outbox(made.StudyInstanceUID), "away", AT)
    (row,) = admin.get("/api/admin/outbox").json["rows"]
    assert (row["state"], row["error"], row["patient_id"]) == (
        "refused", "The archive says no.", "P1",
    )  # fmt: skip
    assert store.claim_outbox(AT, 60, 10) == []
    answer = admin.send("POST", "/api/admin/outbox/retry", json={"ids": [number, 999]})
    assert answer.json == {"tried": 1}
    assert [r.id for r in store.claim_outbox(AT, 60, 10)] == [number]
    assert store.audit_rows(limit=1)[0].event == "delivery tried again"
    assert admin.send("POST", "/api/admin/outbox/retry", json={}).json == {"tried": 1}
    assert admin.send("POST", "/api/admin/outbox/retry", json={"ids": ["x"]}).status_code == 422
    assert admin.get("/api/admin/outbox?state=nonsense").status_code == 400


def test_what_came_twice_is_compared_and_decided_about(admin, store, keep, woken):
    made = image()
    keep(made)
    made.PatientName = "Other"
    with pytest.raises(Exception, match="other content"):
        keep(made)
    (row,) = admin.get("/api/admin/quarantine").json["rows"]
    assert row["sop_instance_uid"] == made.SOPInstanceUID
    assert (row["source"], row["patient_id"]) == ("test", "P1")
    assert row["size"] > 0
    assert "path" not in row
    found = admin.get(f"/api/admin/quarantine/{row['id']}").json
    assert [(d["name"], d["second"]) for d in found["differences"]] == [("PatientName", "Other")]
    place = f"/api/admin/quarantine/{row['id']}"
    assert admin.send("POST", place, json={"decision": "burn"}).status_code == 422
    said = {"decision": "replace", "reason": "The camera had the wrong name."}
    assert admin.send("POST", place, json=said).status_code == 200
    (row,) = admin.get("/api/admin/quarantine").json["rows"]
    assert (row["decision"], row["decided_by"]) == ("replace", "otto")
    assert admin.get("/api/admin/overview").json["quarantined"] == 0
    (stored,) = store.instances(str(made.StudyInstanceUID))
    assert stored.patient_name == "Other"
    assert woken[-1:] == ["x"], "the study is prepared anew"
    assert admin.get("/api/admin/quarantine/99").status_code == 404


def test_a_peer_is_called_and_says_yes_or_why_not(tmp_path, store, desk):
    entity = AE("ARCHIVE")
    entity.add_supported_context(Verification)
    server = entity.start_server(
        ("127.0.0.1", 0), block=False, evt_handlers=[(evt.EVT_C_ECHO, lambda _: 0)]
    )
    port = server.socket.getsockname()[1]
    peers = (
        Peer(name="archive", ae_title="ARCHIVE", port=port),
        Peer(name="gone", ae_title="GONE", port=9),
    )
    settings = Settings(data_folder=tmp_path, peers=peers, peer_timeout_seconds=2)
    app = create_app(settings, store, desk)
    app.test_client_class = Buffered
    admin = SignedIn(app, "otto")
    try:
        yes = admin.send("POST", "/api/admin/peers/archive/echo", json={}).json
        no = admin.send("POST", "/api/admin/peers/gone/echo", json={}).json
    finally:
        server.shutdown()
    assert (yes["answers"], yes["detail"]) == (True, "")
    assert no["answers"] is False
    assert "gone (GONE at 127.0.0.1:9)" in no["detail"]
    assert admin.send("POST", "/api/admin/peers/none/echo", json={}).status_code == 404


def test_the_audit_trail_is_searched_and_looking_is_noted(admin, store):
    for number in range(5):
        store.audit("signed in", user=f"user{number}", detail="from 10.0.0.9", at=AT)
    rows = admin.get("/api/admin/audit?user=user3").json["rows"]
    assert [row["event"] for row in rows] == ["signed in"]
    everything = admin.get("/api/admin/audit?limit=500").json["rows"]
    assert ("audit log seen", "otto") in {(r["event"], r["user"]) for r in everything}
    assert admin.get("/api/admin/audit?since=2026-03-02&text=10.0").json["rows"] == []
    assert "no date" in admin.get("/api/admin/audit?since=soon").json["detail"]
    assert admin.send("POST", "/api/admin/audit/verify", json={}).json["why"] == ""


def test_health_is_for_everybody_and_ready_only_when_work_can_be_taken(
    tmp_path, client, store, desk, monkeypatch
):
    assert client.get("/api/health/live").json == {"status": "ok"}
    assert client.get("/api/health/ready").json["status"] == "ready"
    deaf = create_app(Settings(data_folder=tmp_path), store, desk, listening=lambda: False)
    answer = deaf.test_client().get("/api/health/ready")
    assert (answer.status_code, answer.json["dicom"]) == (503, "no DICOM associations are taken")
    monkeypatch.setattr("dicom_service.web.health.LEAST_FREE_BYTES", 1 << 60)
    assert client.get("/api/health/ready").status_code == 503
    store.close()
    monkeypatch.setattr(store._index, "read", _broken)
    answer = client.get("/api/health/ready")
    assert (answer.status_code, answer.json["index"]) == (503, "the index does not answer")
    assert client.get("/api/health/live").status_code == 200


def _broken(*_):
    raise SesamoidError("broken")


def test_figures_name_nobody_and_cannot_be_multiplied_by_callers(client, keep):
    keep(image(PatientName="Brandt^Pip"))
    client.post("/api/session", json={"user": "ida", "password": "wrong wrong"})
    client.post("/api/session", json={"user": "ida", "password": PASSWORD})
    for path in ("/made-up-1", "/made-up-2"):
        client.open(path, method="BREW")
    text = client.get("/metrics").text
    assert 'sesamoid_studies{state="arriving"} 1.0' in text
    assert "sesamoid_objects 1.0" in text
    assert "sesamoid_journal_bytes 0.0" in text
    assert "sesamoid_spool_bytes 0.0" in text
    assert "sesamoid_bucket_away 0.0" in text
    assert "sesamoid_sign_ins_refused_total 1.0" in text
    made = 'sesamoid_http_requests_total{endpoint="session.sign_in",method="POST",status="200"} 1.0'
    assert made in text
    assert "made-up" not in text
    assert "BREW" not in text
    assert "Brandt" not in text


def test_figures_are_for_this_machine_administrators_and_holders_of_the_token(
    tmp_path, client, admin, reader, store, desk
):
    outside = {"REMOTE_ADDR": "10.0.0.5"}
    assert client.get("/metrics").status_code == 200
    assert client.get("/metrics", environ_base=outside).status_code == 403
    assert client.get("/metrics", headers={"X-Forwarded-For": "127.0.0.1"}).status_code == 403
    assert reader.get("/metrics", environ_base=outside).status_code == 403
    assert admin.get("/metrics", environ_base=outside).status_code == 200
    guarded = create_app(Settings(data_folder=tmp_path, metrics_token="t0ken"), store, desk)
    guarded.test_client_class = Buffered
    asks = guarded.test_client().get
    assert asks("/metrics").status_code == 403
    right = {"Authorization": "Bearer t0ken"}
    assert asks("/metrics", headers=right, environ_base=outside).status_code == 200


@pytest.mark.parametrize("text", ["quarantine", "Quarantäne", "QUARANTÄNE", "bytes decided"])
def test_the_audit_trail_is_searched_by_the_words_for_an_event_in_any_language(admin, store, text):
    store.audit("different bytes decided", user="otto", detail="1.2.3: keep", at=AT)
    store.audit("signed in", user="ida", detail="from 10.0.0.9", at=AT)
    rows = admin.get(f"/api/admin/audit?text={text}").json["rows"]
    assert [row["event"] for row in rows] == ["different bytes decided"]


def test_why_a_delivery_waits_is_said_in_the_language_of_the_reader_wherever_it_is_shown(
    admin, reader, store, keep
):
    made = image()
    keep(made)
    _owe(store, made.StudyInstanceUID, refused="pacs does not accept this kind of document.")
    german = {"Accept-Language": "de"}
    (owed,) = admin.get("/api/admin/outbox", headers=german).json["rows"]
    (listed,) = reader.get("/api/studies", headers=german).json["studies"]
    assert owed["error"] == "pacs nimmt diese Art von Dokument nicht an."
    assert listed["delivery_detail"] == owed["error"]
