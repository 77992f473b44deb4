"""What an administrator changes: accounts and peers. Each change is checked, counts at once and is
in the audit trail."""

import pytest
from pynetdicom import AE, evt
from pynetdicom.pdu_primitives import UserIdentityNegotiation
from pynetdicom.sop_class import Verification

from dicom_service.errors import Refused
from dicom_service.node.admission import Admission
from dicom_service.roster import Roster
from dicom_service.settings import Peer, Settings
from dicom_service.web import create_app
from tests.web.conftest import SignedIn

USERS, PEERS = "/api/admin/users", "/api/admin/peers"
NEW = {"name": "mia", "display": "Holm^Mia^^Dr", "roles": ["reader"], "password": "eight letters"}
CAMERA = {"name": "camera", "ae_title": "ROOM1", "host": "10.0.0.7", "port": 104}


@pytest.fixture
def admin(app) -> SignedIn:
    return SignedIn(app, "otto")


def signs_in(app, user: str, password: str) -> bool:
    answer = app.test_client().post("/api/session", json={"user": user, "password": password})
    return answer.status_code == 200


def newest(store):
    row = store.audit_rows(limit=1)[0]
    return row.event, row.user, row.detail


def test_an_account_is_added_and_can_sign_in(app, admin, store):
    made = admin.send("POST", USERS, json=NEW)
    assert made.json == {k: v for k, v in NEW.items() if k != "password"} | {"disabled": False}
    assert newest(store) == ("user added", "otto", "mia as reader")
    assert signs_in(app, "mia", NEW["password"])
    rows = admin.get(USERS).json["rows"]
    assert {"mia", "otto"} <= {row["name"] for row in rows}
    assert not any("password" in key for row in rows for key in row)


@pytest.mark.parametrize(
    ("change", "status"),
    [
        ({"name": "otto"}, 400),
        ({"name": "two words"}, 422),
        ({"name": "a/b"}, 422),
        ({"name": "a\u202eb"}, 422),
        ({"name": ""}, 422),
        ({"display": "a=b"}, 400),
        ({"roles": []}, 422),
        ({"roles": ["king"]}, 422),
        ({"password": "short"}, 422),
        ({"password_hash": "x"}, 422),
    ],
)
def test_an_account_that_cannot_be_is_refused_in_a_sentence(admin, store, change, status):
    before = store.users()
    answer = admin.send("POST", USERS, json=NEW | change)
    assert (answer.status_code, bool(answer.json["detail"])) == (status, True)
    assert store.users() == before


def test_a_disabled_account_is_out_at_once_everywhere_and_comes_back(app, admin, store):
    admin.send("POST", USERS, json=NEW | {"roles": ["reader", "device"]})
    session = SignedIn(app, "mia")
    assert session.get("/api/session").status_code == 200
    assert admin.send("PATCH", f"{USERS}/mia", json={"disabled": True}).json["disabled"]
    assert newest(store) == ("user changed", "otto", "mia: disabled")
    assert session.get("/api/session").status_code == 401
    assert not signs_in(app, "mia", NEW["password"])
    settings = Settings(user_identity=True)
    admission = Admission(settings, store, Roster(settings, store))
    assert "wrong user name" in admission._unidentified(
        "", _identity("mia", NEW["password"]), "::1"
    )
    admin.send("PATCH", f"{USERS}/mia", json={"disabled": False})
    assert signs_in(app, "mia", NEW["password"])
    assert admission._unidentified("", _identity("mia", NEW["password"]), "::1") == ""


def _identity(name, passcode):
    item = UserIdentityNegotiation()
    item.user_identity_type = 2
    item.primary_field, item.secondary_field = name.encode(), passcode.encode()
    return item


def test_a_new_password_signs_everybody_out_and_roles_count_at_once(app, admin, store):
    admin.send("POST", USERS, json=NEW)
    session = SignedIn(app, "mia")
    admin.send("PATCH", f"{USERS}/mia", json={"roles": ["administrator"], "display": "Holm^Mia"})
    assert newest(store)[2] == "mia: name Holm^Mia, roles administrator"
    assert session.get(USERS).status_code == 200
    admin.send("PATCH", f"{USERS}/mia", json={"password": "another password"})
    assert newest(store) == ("password changed", "otto", "mia")
    assert session.get("/api/session").status_code == 401
    assert signs_in(app, "mia", "another password")
    assert admin.send("PATCH", f"{USERS}/nobody", json={"disabled": True}).status_code == 404


def test_nobody_locks_themselves_or_everybody_out(admin, store, clock):
    for change in ({"disabled": True}, {"roles": ["reader"]}):
        answer = admin.send("PATCH", f"{USERS}/otto", json=change)
        assert answer.status_code == 400
    assert "another administrator" in answer.json["detail"]
    for change in ({"disabled": True}, {"roles": ["reader"]}):  # whoever asks
        with pytest.raises(Refused, match="keep one administrator"):
            store.change_user("otto", **change, by="command line", at=clock())
    assert "administrator" in store.user("otto").roles


@pytest.mark.parametrize(
    ("method", "path"),
    [
        ("GET", USERS),
        ("POST", USERS),
        ("PATCH", f"{USERS}/ida"),
        ("GET", PEERS),
        ("PUT", f"{PEERS}/camera"),
        ("DELETE", f"{PEERS}/camera"),
    ],
)
def test_only_administrators_with_the_token_of_their_session(admin, reader, client, method, path):
    body = {} if method == "GET" else {"json": {}}
    assert client.open(path, method=method, **body).status_code == 401
    assert reader.send(method, path, **body).status_code == 403
    if method != "GET":
        forged = admin.send(method, path, headers={"X-Sesamoid-Token": "made up"}, **body)
        assert forged.json["reason"] == "token"


@pytest.fixture
def clinic(tmp_path, store, desk):
    """A node whose settings file has one peer, and an administrator."""
    file = (Peer(name="archive", ae_title="ARCHIVE", port=11112),)
    settings = Settings(data_folder=tmp_path, peers=file, peers_only=True)
    changed = []
    app = create_app(settings, store, desk, on_peers=lambda: changed.append(1))
    return SignedIn(app, "otto"), settings, changed


def test_a_peer_is_added_changed_and_removed_and_counts_at_once(clinic, store):
    admin, settings, changed = clinic
    roster = Roster(settings, store)
    admission = Admission(settings, store, roster)
    assert admission._unknown("", "ROOM1", "10.0.0.7", None)
    assert admin.send("PUT", f"{PEERS}/camera", json=CAMERA).json["of_file"] is False
    assert newest(store) == ("peer added", "otto", "camera: ROOM1@10.0.0.7:104, commitment")
    assert admission._unknown("", "ROOM1", "10.0.0.7", None) == ""
    admin.send("PUT", f"{PEERS}/camera", json=CAMERA | {"host": "10.0.0.8", "commitment": False})
    assert newest(store) == ("peer changed", "otto", "camera: ROOM1@10.0.0.8:104")
    assert admission._unknown("", "ROOM1", "10.0.0.7", None)
    rows = admin.get(PEERS).json["rows"]
    assert [(row["name"], row["of_file"]) for row in rows] == [("archive", True), ("camera", False)]
    assert admin.send("DELETE", f"{PEERS}/camera", json={}).status_code == 204
    assert newest(store) == ("peer removed", "otto", "camera")
    assert roster.peer("camera") is None
    assert admin.send("DELETE", f"{PEERS}/camera", json={}).status_code == 404
    assert len(changed) == 3


@pytest.mark.parametrize(
    ("change", "status", "words"),
    [
        ({"ae_title": "Ä"}, 422, "printable ASCII"),
        ({"ae_title": "SEVENTEEN LETTERS"}, 422, "16"),
        ({"port": 0}, 422, "port"),
        ({"port": 70000}, 422, "port"),
        ({"host": "a b"}, 422, "host"),
        ({"host": "x;reboot"}, 422, "host"),
        ({"addresses": ["10.0.0.1/8"]}, 422, "addresses"),
        ({"retrieve": "steal"}, 422, "retrieve"),
        ({"certificate": "ab:cd"}, 422, "fingerprint"),
        ({"certificate": "CN=x"}, 400, "secure port"),
        ({"tls": True}, 400, "certificate and"),
        ({"name": "other"}, 400, "otherwise"),
        ({"colour": "red"}, 422, "colour"),
    ],
)
def test_a_peer_that_cannot_be_is_refused_in_a_sentence(clinic, store, change, status, words):
    answer = clinic[0].send("PUT", f"{PEERS}/camera", json=CAMERA | change)
    assert answer.status_code == status
    assert words in answer.json["detail"]
    assert store.added_peers() == []


def test_peers_of_the_settings_file_are_changed_there_only(clinic):
    admin = clinic[0]
    body = CAMERA | {"name": "archive"}
    assert "settings file" in admin.send("PUT", f"{PEERS}/archive", json=body).json["detail"]
    assert admin.send("DELETE", f"{PEERS}/archive", json={}).status_code == 400


def test_an_added_peer_becomes_the_archive_once(clinic, store):
    admin, settings, _ = clinic
    assert admin.send("PUT", f"{PEERS}/camera", json=CAMERA | {"archive": True}).json["archive"]
    assert Roster(settings, store).archive == "camera"
    other = CAMERA | {"name": "pacs", "archive": True}
    assert (
        "take that from it first" in admin.send("PUT", f"{PEERS}/pacs", json=other).json["detail"]
    )
    named = Settings(data_folder=settings.data_folder, peers=settings.peers, archive="archive")
    assert Roster(named, store).archive == "archive"  # the file's word counts more


def test_an_added_peer_is_called(clinic):
    entity = AE("ROOM1")
    entity.add_supported_context(Verification)
    answered = []

    def answer(event) -> int:
        answered.append(1)
        return 0x0000

    handlers = [(evt.EVT_C_ECHO, answer)]
    server = entity.start_server(("127.0.0.1", 0), block=False, evt_handlers=handlers)
    try:
        body = CAMERA | {"host": "127.0.0.1", "port": server.server_address[1]}
        clinic[0].send("PUT", f"{PEERS}/camera", json=body)
        said = clinic[0].send("POST", f"{PEERS}/camera/echo", json={}).json
    finally:
        server.shutdown()
    assert (said["answers"], answered) == (True, [1])
