"""However the node ends, what it promised holds: kills, power cuts, full disks; and that these
tests can fail."""

from collections import Counter

import pytest

from dicom_service.store import faults
from tests.hostile import filling, killing, power
from tests.hostile.job import Job, image_bytes


@pytest.mark.parametrize(
    "point",
    [
        pytest.param(p, marks=[pytest.mark.long] if n % 3 else [])
        for n, p in enumerate(faults.POINTS)
    ],
)
def test_kill_9_at_every_point_breaks_no_promise(point, tmp_path):
    found, kills = killing.run(1, tmp_path / "data", point)
    assert found == []
    assert kills == Counter({point: kills[point]})
    assert kills[point] >= 1


def test_kill_9_at_points_chosen_by_seed_breaks_no_promise():
    failed, kills = killing.runs(first=100, number=2)
    assert failed == {}
    assert kills.total() >= 2


def test_the_kills_find_a_node_that_acknowledges_too_early(monkeypatch, tmp_path):
    def receive(job, plan, uid):
        job.say(f"stored {uid} early")
        job._sent.add(uid)
        job._accept(plan, uid, image_bytes(uid))

    monkeypatch.setattr(Job, "_receive", receive)
    found, _ = killing.run(1, tmp_path / "data", "accept.renamed")
    assert any("acknowledged and is gone" in what for what in found)


@pytest.mark.parametrize(
    ("careless", "crashes", "lost"),
    [
        ("", 25, False),
        ("fsync", 24, True),
        pytest.param("folders", 24, True, marks=pytest.mark.long),
        pytest.param("index", 12, True, marks=pytest.mark.long),
        ("journal", 12, True),
        pytest.param("settling", 12, True, marks=pytest.mark.long),
    ],
)
def test_a_power_cut_loses_nothing_that_was_synced(tmp_path, careless, crashes, lost):
    steps = power.record(tmp_path / "recorded", 3, careless)
    assert len(steps) > 100
    found = power.cut(steps, 3, crashes, tmp_path)
    assert bool(found) is lost, found


@pytest.mark.parametrize(
    ("call", "every", "first"),
    [
        pytest.param("write", 2, 1, marks=pytest.mark.long),
        ("pwrite64", 60, 20),
        pytest.param("fsync", 9, 3, marks=pytest.mark.long),
        pytest.param("fdatasync", 9, 1, marks=pytest.mark.long),
        ("pwritev2", 1, 1),
    ],
)
def test_a_disk_that_is_full_for_a_while_loses_nothing(call, every, first):
    said = filling.fill(call, every=every, first=first)
    assert said.endswith(" 0 broken\n"), said
    assert f"{call}: 0 moments" not in said


def test_a_disk_that_becomes_read_only_keeps_what_was_promised():
    said = filling.fill("pwrite64", every=100, first=70, error="EROFS", for_good=True)
    assert said.endswith(" 0 broken\n"), said
    assert "pwrite64: 0 moments" not in said
