"""What each event does to a document that is owed; the table is in store/outbox.py."""

import os
import subprocess
import sys
from pathlib import Path

import pytest

from dicom_service.store.outbox import MOST_RESENDS


@pytest.fixture
def box(kit):
    kit.signed()
    return Box(kit)


class Box:
    """The one row of a signed study."""

    def __init__(self, kit) -> None:
        self.kit, self.store = kit, kit.store

    @property
    def row(self):
        return self.store.outbox(self.kit.study)[-1]

    def sent(self, transaction="t1", ask_again_at=None):
        self.store.outbox_sent([self.row.id], transaction, ask_again_at)

    def report(self, *, ok=(), failed=(), transaction="t1"):
        failed = dict.fromkeys(failed, "no such object")
        return self.store.outbox_committed(transaction, set(ok), failed)


def _owed(_box, _later):
    pass


def _sent(box, later):
    box.sent(ask_again_at=later(60))


def _committed(box, later):
    _sent(box, later)
    box.report(ok=[box.row.sop_instance_uid])


def _refused(box, later):
    _sent(box, later)
    box.store.outbox_refused([box.row], "no")


STATES = {"owed": _owed, "sent": _sent, "committed": _committed, "refused": _refused}
EVENTS = {
    "sent": lambda box, later: box.sent("t2", later(60)),
    "retry": lambda box, later: box.store.outbox_retry([box.row], "away", later(60)),
    "refused": lambda box, later: box.store.outbox_refused([box.row], "no"),
    "commitment ok": lambda box, later: box.report(ok=[box.row.sop_instance_uid]),
    "commitment failed": lambda box, later: box.report(failed=[box.row.sop_instance_uid]),
    "other commitment": lambda box, later: box.report(ok=["1.2.3.4"]),
}
TABLE = {
    "owed": ["sent", "owed", "refused", "owed", "owed", "owed"],
    "sent": ["sent", "sent", "refused", "committed", "owed", "sent"],
    "committed": ["committed"] * 6,
    "refused": ["refused", "refused", "refused", "committed", "refused", "refused"],
}
CASES = [
    (state, event, after)
    for state, row in TABLE.items()
    for event, after in zip(EVENTS, row, strict=True)
]


@pytest.mark.parametrize(("state", "event", "after"), CASES)
def test_an_event_in_a_state_leads_to(box, later, state, event, after):
    STATES[state](box, later)
    EVENTS[event](box, later)
    assert box.row.state == after
    assert box.store.study(box.kit.study).delivery == after


def test_a_claimed_row_is_not_given_out_twice_until_its_lease_ends(box, later):
    assert len(box.store.claim_outbox(later(), 30, 10)) == 1
    assert box.store.claim_outbox(later(29), 30, 10) == []
    assert len(box.store.claim_outbox(later(31), 30, 10)) == 1


def test_a_sender_that_lost_its_lease_and_fails_changes_nothing_of_another(box, later):
    slow = box.store.claim_outbox(later(), 30, 10)
    quick = box.store.claim_outbox(later(31), 30, 10)
    box.store.outbox_retry(slow, "away", later(32))
    assert box.store.claim_outbox(later(33), 30, 10) == [], "it is the other's still"
    box.store.outbox_refused(slow, "no")
    assert (box.row.state, box.row.attempts, box.row.error) == ("owed", 0, "")
    box.sent("t2", later(90))
    box.store.outbox_refused(slow, "no")
    box.store.outbox_retry(slow, "away", later(32))
    assert (box.row.state, box.row.error) == ("sent", "")
    assert box.store.claim_outbox(later(89), 30, 10) == []
    box.store.outbox_refused(quick, "no")
    assert box.row.state == "sent", "its work ended when it was sent"


def test_a_sender_that_lost_its_lease_and_delivered_is_believed(box, later):
    slow = box.store.claim_outbox(later(), 30, 10)
    quick = box.store.claim_outbox(later(31), 30, 10)
    box.store.outbox_sent([row.id for row in slow], "t1", later(90))
    box.store.outbox_retry(quick, "away", later(32))
    assert (box.row.state, box.row.error) == ("sent", "")
    assert box.report(ok=[box.row.sop_instance_uid]) == 1
    assert box.row.state == "committed"


def test_a_new_start_ends_the_leases_of_the_dead_process(box, later):
    box.store.claim_outbox(later(), 3600, 10)
    box.kit.restart().sweep()
    assert len(box.kit.store.claim_outbox(later(), 30, 10)) == 1


def test_a_claimed_row_has_all_that_a_sender_needs(box, later):
    (row,) = box.store.claim_outbox(later(), 30, 10)
    assert row.path.read_bytes()[128:132] == b"DICM"
    assert (row.destination, row.state, row.attempts) == ("archive", "owed", 0)
    assert row.sop_class_uid == "1.2.840.10008.5.1.4.1.1.88.33"


def test_a_retry_waits_until_its_time_and_shows_its_reason(box, later):
    box.store.outbox_retry([box.row], "archive cannot be reached.", later(60))
    assert box.store.claim_outbox(later(59), 30, 10) == []
    (row,) = box.store.claim_outbox(later(61), 30, 10)
    assert row.attempts == 1
    study = box.store.study(box.kit.study)
    assert (study.delivery, study.delivery_detail) == ("owed", "archive cannot be reached.")


def test_the_next_moment_is_told_for_waits_and_leases(box, later):
    now = later()
    assert box.store.next_outbox_at(now) == now
    box.store.claim_outbox(now, 30, 10)
    assert (box.store.next_outbox_at(now) - now).total_seconds() == pytest.approx(30)
    box.store.outbox_retry([box.row], "away", later(60))
    assert (box.store.next_outbox_at(now) - now).total_seconds() == pytest.approx(60, abs=1)
    box.sent(ask_again_at=None)
    assert box.store.next_outbox_at(now) is None


def test_a_silent_commitment_is_asked_for_again(box, later):
    box.sent("t1", later(60))
    assert box.store.claim_outbox(later(59), 30, 10) == []
    (row,) = box.store.claim_outbox(later(61), 30, 10)
    assert (row.state, row.transaction_uid) == ("sent", "t1")


def test_a_report_on_an_earlier_question_is_believed_when_it_is_good_news(box, later):
    box.sent("t1", later(60))
    box.sent("t2", later(60))
    assert box.report(failed=[box.row.sop_instance_uid], transaction="t1") == 1
    assert box.row.state == "sent"
    assert box.report(ok=[box.row.sop_instance_uid], transaction="t1") == 1
    assert box.row.state == "committed"


def test_an_unknown_transaction_commits_nothing(box, later):
    box.sent("t1", later(60))
    assert box.report(ok=[box.row.sop_instance_uid], transaction="guessed") == 0
    assert box.row.state == "sent"


def test_an_archive_that_never_keeps_it_ends_as_refused_with_the_reason(box, later):
    for number in range(MOST_RESENDS):
        box.sent(f"t{number}", later(60))
        box.report(failed=[box.row.sop_instance_uid], transaction=f"t{number}")
        assert box.row.state == "owed"
    box.sent("last", later(60))
    box.report(failed=[box.row.sop_instance_uid], transaction="last")
    assert box.row.state == "refused"
    assert "no such object" in box.row.error
    assert box.store.audit_rows(study_uid=box.kit.study)[0].event == "delivery refused"


@pytest.mark.parametrize(
    ("reason", "noted"),
    [
        ("archive: no such class.", "archive: no such class."),
        ("archive does not accept this.", "archive does not accept this."),
        ("The document cannot be read.", "archive: The document cannot be read."),
    ],
)
def test_the_trail_names_the_archive_once(box, later, reason, noted):
    assert box.row.destination == "archive"
    box.store.outbox_refused([box.row], reason)
    assert box.store.audit_rows(study_uid=box.kit.study)[0].detail == noted


def test_without_an_archive_reports_wait_and_say_so_until_one_is_set(kit, later):
    kit.image()
    kit.prepare()
    kit.save()
    kit.sign(to=[""])
    study = kit.store.study(kit.study)
    assert study.delivery == "owed"
    assert study.delivery_detail.startswith("No archive is set")
    assert kit.store.claim_outbox(later(60), 30, 10) == []
    assert kit.store.next_outbox_at(later()) is None
    assert kit.store.address_outbox("archive") == 1
    (row,) = kit.store.claim_outbox(later(60), 30, 10)
    assert (row.destination, row.error) == ("archive", "")


def test_a_study_shows_the_document_that_has_come_least_far(box, later):
    box.sent("t1", later(60))
    box.report(ok=[box.row.sop_instance_uid])
    assert box.store.study(box.kit.study).delivery == "committed"
    box.kit.sign("addendum")
    assert box.store.study(box.kit.study).delivery == "owed"
    assert box.store.studies()[0].delivery == "owed"


def test_a_clock_that_was_set_back_does_not_hold_documents_for_days(box, later):
    box.store.outbox_retry([box.row], "away", later(30 * 86400))
    assert len(box.store.claim_outbox(later(), 30, 10)) == 1


SIGNED = """
import sys
from pathlib import Path
from pathlib import Path
sys.path.insert(0, sys.argv[2])
from conftest import Kit
kit = Kit(Path(sys.argv[1]), sys.argv[3])
kit.image(); kit.prepare(); kit.save("draft")
kit.sign()
"""


@pytest.mark.parametrize(
    ("fault", "state", "owed"),
    [
        ("save.before", "waiting", 0),
        ("save.committed", "reading", 0),
        ("sign.blobs", "reading", 0),
        ("sign.committed", "signed", 1),
    ],
)
def test_kill_9_while_signing_leaves_all_or_nothing(kit, later, fault, state, owed):
    kit.store.close()
    command = [sys.executable, "-c", SIGNED, str(kit.folder), str(Path(__file__).parent)]
    command.append(kit.index_url)
    environment = os.environ | {"SESAMOID_FAULT": fault}
    run = subprocess.run(command, env=environment, capture_output=True, text=True, timeout=30)
    assert run.returncode == -9, run.stderr
    store = kit.restart()
    report = store.sweep()
    assert report.blobs_without_rows == (1 if fault == "sign.blobs" else 0)
    assert kit.state() == state
    assert len(store.documents(kit.study)) == len(store.outbox(kit.study)) == owed
    assert len(store.claim_outbox(later(), 30, 10)) == owed
    if state == "reading":
        assert store.reading(kit.study)[1].impression == "draft"
