"""Work is taken by one at a time, and comes back when whoever took it dies."""

import subprocess
import sys
import time
from datetime import UTC, datetime

import pytest

from dicom_service.store.schema import documents, outbox, studies

WORKER = """
import os, signal, sys, time
from datetime import UTC, datetime
from pathlib import Path
from dicom_service.store import Store

store = Store(Path(sys.argv[1]), exclusive=False, index_url=sys.argv[2])
most, lease = int(sys.argv[3]), float(sys.argv[4])
done = 0

def took(kind, what):
    global done
    print(f"{time.time():.3f} {kind} {what}", flush=True)
    done += 1
    if done == most:
        os.kill(os.getpid(), signal.SIGKILL)

print("ready", flush=True)
sys.stdin.readline()
while True:
    now = datetime.now(UTC)
    rows = store.claim_outbox(now, lease, 3)
    for row in rows:
        took("outbox", row.id)
    store.outbox_sent([row.id for row in rows], "", None)
    study = store.claim_study(now, 0.0, lease)
    if study:
        took("template", study.of)
        store.fail_preparation(study.of, "as agreed")
        store.give_back(study)
    prior = store.claim_prior_search(now, lease)
    if prior:
        took("priors", prior.of)
        store.end_prior_search(prior.of, "found", [])
        store.give_back(prior)
    if not rows and not study and not prior:
        break
"""
EACH = 40
"""Of three kinds: 120 pieces of work."""
LEASE = 1.0


@pytest.fixture
def work(kit):
    with kit.store._index.write() as connection:
        for state in ("arriving", "waiting"):
            rows = [{"study_uid": f"1.{state[0]}.{n}", "state": state} for n in range(EACH)]
            rows = [row | {"study_uid": row["study_uid"].replace("a", "1").replace("w", "2")}
                    for row in rows]  # fmt: skip
            connection.execute(studies.insert(), rows)
        uids = [{"study_uid": "1.1.0", "sop_instance_uid": f"1.9.{n}"} for n in range(EACH)]
        paper = {"kind": "final", "role": "report", "sop_class_uid": "1", "series_uid": "1"}
        connection.execute(documents.insert(), [uid | paper | {"blob": "x"} for uid in uids])
        owed = {"state": "owed", "destination": "archive", "next_at": 0}
        connection.execute(outbox.insert(), [uid | owed for uid in uids])
    return kit


def workers(kit, *most, lease=LEASE):
    """Processes that begin at the same moment."""
    begun = [
        subprocess.Popen(
            [sys.executable, "-c", WORKER, str(kit.folder), kit.index_url, str(n), str(lease)],
            stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True,
        )
        for n in most
    ]  # fmt: skip
    for process in begun:
        assert process.stdout.readline() == "ready\n"
    for process in begun:
        process.stdin.write("go\n")
        process.stdin.flush()
    return begun


@pytest.mark.parametrize("engine", ["postgres"], indirect=True)
def test_two_processes_share_the_work_and_one_that_is_killed_gives_its_share_back(work):
    first, second = workers(work, 8, 10**6)
    taken = first.communicate(timeout=60)[0].splitlines()
    others = second.communicate(timeout=60)[0].splitlines()
    assert (first.returncode, second.returncode) == (-9, 0)
    assert len(taken) == 8
    # What the killed one held is taken again, by a third if the second was done before.
    time.sleep(LEASE)
    (third,) = workers(work, 10**6)
    others += third.communicate(timeout=60)[0].splitlines()
    times: dict[str, list[float]] = {}
    for line in taken + others:
        at, what = line.split(" ", 1)
        times.setdefault(what, []).append(float(at))
    assert len(times) == 3 * EACH
    twice = {what: moments for what, moments in times.items() if len(moments) > 1}
    assert 1 <= len(twice) <= 3, "only what it had taken and not ended"
    for what, (one, other) in ((what, sorted(moments)) for what, moments in twice.items()):
        assert other - one > LEASE - 0.2, what
    store, now = work.store, datetime.now(UTC)
    assert store.claim_outbox(now, LEASE, 9) == []
    assert store.due_studies(now, 0.0) == store.due_prior_searches(now) == []


@pytest.mark.parametrize("engine", ["postgres"], indirect=True)
def test_four_processes_at_once_take_each_piece_of_work_exactly_once(work):
    begun = workers(work, *[10**6] * 4, lease=3600.0)
    said = [one.communicate(timeout=120) for one in begun]
    assert [one.returncode for one in begun] == [0] * 4
    taken = [line.split(" ", 1)[1] for out, _ in said for line in out.splitlines()]
    assert len(taken) == len(set(taken)) == 3 * EACH
    assert sum(bool(out) for out, _ in said) > 1, "they were at it together"


def test_a_study_that_is_taken_is_passed_over_until_it_is_given_back(kit, later):
    kit.image(study="1.1")
    kit.image(study="1.2")
    claim = kit.store.claim_study
    first, second = claim(later(60), 1, 30), claim(later(60), 1, 30)
    assert (first.of, second.of) == ("1.1", "1.2")
    assert claim(later(60), 1, 30) is None
    kit.store.give_back(first)
    assert claim(later(60), 1, 30, ["1.1"]) is None
    again = claim(later(60), 1, 30)
    assert again.of == "1.1"
    assert claim(later(91), 1, 30).of == "1.1", "its lease has ended"


def test_one_who_lost_a_lease_cannot_give_back_what_another_has_now(kit, later):
    claim = kit.store.claim
    lost = claim("syslog", "there", later(), 30)
    now_theirs = claim("syslog", "there", later(31), 30)
    kit.store.give_back(lost)
    assert claim("syslog", "there", later(32), 30) is None
    kit.store.give_back(now_theirs)
    assert claim("syslog", "there", later(32), 30)


def test_one_who_lost_a_lease_does_not_have_events_sent_again(kit):
    kit.store.set_audit_exported("there", 7)
    kit.store.set_audit_exported("there", 3)
    assert kit.store.audit_exported("there") == 7


def test_a_lease_from_before_the_clock_was_set_back_holds_nobody(kit, later):
    assert kit.store.claim("syslog", "there", later(30 * 86400), 30)
    assert kit.store.claim("syslog", "there", later(), 30)
    assert not kit.store.claim("syslog", "there", later(), 30)
    assert kit.store.claim("syslog", "elsewhere", later(), 30)


def test_a_node_that_starts_alone_ends_the_leases_of_its_last_run(kit, later):
    kit.image()
    assert kit.store.claim_study(later(60), 1, 3600).of == kit.study
    kit.restart().sweep()
    assert kit.store.claim_study(later(60), 1, 3600).of == kit.study
