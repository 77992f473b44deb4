"""The audit trail: sealed, provable, and DICOM audit messages of it in files."""

import itertools
import sqlite3
from collections.abc import Iterator
from datetime import UTC, datetime, timedelta
from pathlib import Path
from xml.etree import ElementTree

import pytest
from lxml import etree
from lxml.etree import RelaxNG
from pydicom.sr import _concepts_dict

from dicom_service.audit import audit_message, meanings
from dicom_service.audit.messages import Origin
from dicom_service.cli.main import main
from dicom_service.store import AuditRow, Store, StudyRow

AT = datetime(2026, 3, 1, 12, tzinfo=UTC)


@pytest.fixture
def store(tmp_path) -> Iterator[Store]:
    store = Store(tmp_path)
    for number, event in enumerate(("signed in", "study opened", "final signed", "signed out")):
        store.audit(event, user="ida", study_uid="1.2.3" if number in (1, 2) else "", at=AT)
    yield store
    store.close()


def _by_hand(store: Store, statement: str) -> None:
    connection = sqlite3.connect(store.folder / "index.sqlite")
    with connection:
        connection.execute(statement)
    connection.close()


def test_an_untouched_trail_is_proven(store):
    check = store.audit_verify()
    assert (check.count, check.broken_at, check.why) == (4, None, "")
    assert check.head == store.audit_rows(limit=1)[0].digest
    assert store.audit_verify(store.audit_rows()[2].digest).why == ""


@pytest.mark.parametrize(
    ("statement", "broken_at"),
    [
        ("UPDATE audit SET user = 'otto' WHERE id = 3", 3),
        ("UPDATE audit SET at = at + 1 WHERE id = 1", 1),
        ("DELETE FROM audit WHERE id = 2", 3),
        ("INSERT INTO audit VALUES (9, 0, 'signed in', 'otto', '', '', '')", 9),
        ("UPDATE audit_seals SET digest = 'x' WHERE audit_id = 4", 4),
    ],
)
def test_whatever_is_changed_by_hand_is_found(store, statement, broken_at):
    _by_hand(store, statement)
    assert store.audit_verify().broken_at == broken_at


def test_a_cut_end_or_a_rewritten_trail_is_found_by_a_digest_kept_elsewhere(store, tmp_path):
    kept = store.audit_verify().head
    _by_hand(store, "DELETE FROM audit_seals WHERE audit_id = 4")
    _by_hand(store, "DELETE FROM audit WHERE id = 4")
    assert store.audit_verify().why == ""
    assert "cut or rewritten" in store.audit_verify(kept).why


def test_the_trail_is_searched_by_user_study_text_and_time(store):
    store.audit("sign-in refused", user="otto", detail="from 10.0.0.9", at=AT + timedelta(days=1))
    assert [r.event for r in store.audit_rows(study_uid="1.2.3")] == [
        "final signed",
        "study opened",
    ]
    assert [r.user for r in store.audit_rows(text="10.0.0.9")] == ["otto"]
    assert len(store.audit_rows(user="ida", until=AT + timedelta(hours=1))) == 4
    assert len(store.audit_rows(since=AT + timedelta(hours=1))) == 1
    assert [r.id for r in store.audit_rows(limit=1, offset=1)] == [4]


def test_the_codes_of_the_messages_are_those_of_the_standard():
    known = {
        code: meaning
        for keyword in _concepts_dict.concepts["DCM"].values()
        for code, (meaning, _) in keyword.items()
    }
    codes = {code for m in meanings().values() for code in (m.id, m.type) if code}
    assert {code: known[code] for code, _ in codes} == dict(codes)


def test_a_message_says_who_what_when_to_which_patient_and_how_it_ended(store):
    row = next(r for r in store.audit_rows() if r.event == "final signed")
    study = StudyRow(
        study_uid="1.2.3", patient_id="P1", patient_name="Brandt^Pip", state="signed",
        last_object_at=AT, accession_number="A1",
    )  # fmt: skip
    made = audit_message(row, study, Origin("SESAMOID", "Clinic"))
    assert b"\n" not in made
    root = ElementTree.fromstring(made)
    assert [child.tag for child in root] == [
        "EventIdentification",
        "ActiveParticipant",
        "ActiveParticipant",
        "AuditSourceIdentification",
        *["ParticipantObjectIdentification"] * 3,
    ]
    event = root[0]
    assert event.attrib == {
        "EventActionCode": "C",
        "EventDateTime": "2026-03-01T12:00:00.000+00:00",
        "EventOutcomeIndicator": "0",
    }
    assert event[0].get("csd-code") == "110103"
    assert (root[1].get("UserID"), root[1].get("UserIsRequestor")) == ("ida", "true")
    assert (root[2].get("UserID"), root[2].get("UserIsRequestor")) == ("SESAMOID", "false")
    objects = [o.get("ParticipantObjectID") for o in root[4:]]
    assert objects == ["1.2.3", "P1", f"audit-event-{row.id}"]


STUDY = StudyRow(
    study_uid="1.2.3", patient_id="P1", patient_name="Brandt^Pip", state="signed",
    last_object_at=AT, accession_number="A1", description="Carpus  left",
)  # fmt: skip


@pytest.mark.parametrize("study", [None, STUDY, STUDY.model_copy(update={"description": ""})])
def test_the_message_of_every_event_follows_the_schema_of_the_standard(study):
    schema = RelaxNG(etree.parse(Path(__file__).with_name("audit_message.rng")))
    for user, uid, detail in itertools.product(
        ("ida", "", "\x00<i>&"), ("1.2.3", ""), ("", "CAMERA@10.0.0.7: 1.2", "from 10.0.0.9")
    ):
        for event in (*meanings(), "an event of another version"):
            row = AuditRow(
                id=7, at=AT, event=event, user=user, study_uid=uid, detail=detail, digest="0" * 64
            )
            made = etree.fromstring(audit_message(row, study, Origin("SESAMOID", "Clinic")))
            assert schema.validate(made), (event, schema.error_log.last_error)
    made.find("AuditSourceIdentification").tag = "AuditSource"
    assert not schema.validate(made)


def test_a_transfer_names_both_sides(store):
    store.audit("study received", study_uid="1.2", detail="CAMERA@10.0.0.7: 1.2.840", at=AT)
    store.audit("report sent", study_uid="1.2", detail="archive: 1.9", at=AT)
    sent, received = (
        ElementTree.fromstring(audit_message(row, None, Origin("SESAMOID")))
        for row in store.audit_rows(limit=2)
    )

    def sides(root):
        return {
            p.get("UserID"): (p.find("RoleIDCode").get("csd-code"), p.get("UserIsRequestor"))
            for p in root.findall("ActiveParticipant")
        }

    assert sides(sent) == {"SESAMOID": ("110153", "true"), "archive": ("110152", "false")}
    assert sides(received) == {"CAMERA": ("110153", "true"), "SESAMOID": ("110152", "false")}
    camera = received.findall("ActiveParticipant")[1]
    assert camera.get("NetworkAccessPointID") == "10.0.0.7"


def test_a_hostile_user_name_stays_text_of_a_well_formed_message(store):
    name = "\x00\x1b]<script>&\"'\ud800 \u202e</UserID>"
    store.audit("sign-in refused", user=name.replace("\ud800", ""), detail="from ::1", at=AT)
    made = audit_message(store.audit_rows(limit=1)[0], None, Origin("S"))
    user = ElementTree.fromstring(made).find("ActiveParticipant").get("UserID")
    assert "<script>" in user
    assert "\x00" not in user


def test_the_command_proves_and_exports(tmp_path, monkeypatch, capsys):
    monkeypatch.chdir(tmp_path)
    store = Store(tmp_path / "data")
    store.audit("signed in", user="ida", detail="from 10.0.0.5", at=AT)
    store.audit("signed out", user="ida", at=AT + timedelta(days=2))
    store.close()
    base = ["--data", str(tmp_path / "data"), "audit"]
    assert main([*base, "verify"]) == 0
    digest = capsys.readouterr().out.split()[-1]
    assert main([*base, "export", "--since", "2026-03-02", "--output", "out.xml"]) == 0
    (line,) = (tmp_path / "out.xml").read_bytes().splitlines()
    assert b'csd-code="110123"' in line
    assert main([*base, "verify", "--expect", digest]) == 0
    assert "3 events, all as they were written" in capsys.readouterr().out
    assert main([*base, "verify", "--expect", "0" * 64]) == 1
    assert "cut or rewritten" in capsys.readouterr().out
    assert main([*base, "export", "--since", "soon"]) == 1
    assert "--since soon is no date" in capsys.readouterr().err
