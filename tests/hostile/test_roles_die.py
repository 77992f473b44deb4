"""Every role may be killed, cut off or started anew at any time, and no promise is broken.

`python -m pytest tests/hostile/test_roles_die.py -m ''` also runs what takes longer.
"""

import time

import pytest

from dicom_service.store import postgres as engine_of
from tests.hostile.roles import Cluster, broken
from tests.node.conftest import image
from tests.partitions import wire
from tests.postgres_server import Server

SEED = 2026


@pytest.fixture
def near():
    server = Server(durable=True)
    yield server
    server.close()


@pytest.fixture
def begin(tmp_path):
    begun = []

    def one(url, **options):
        begun.append(Cluster(tmp_path, url, SEED, **options))
        return begun[-1]

    yield one
    for cluster in begun:
        cluster.close()


def killing(cluster, names, times, pause=0.25):
    """Kill one of these roles, start it again, and so on."""

    def trouble():
        for _ in range(times):
            role = cluster.random.choice([r for r in cluster.roles if r.role in names])
            time.sleep(cluster.random.uniform(0, pause))
            role.kill()
            role.start()
            role.ready()

    return trouble


def test_roles_that_are_killed_under_load_break_no_promise(begin, near):
    cluster = begin(near.database(), roles=("receive", "receive", "settle", "send"))
    cluster.work(3, killing(cluster, ("receive", "settle"), 2))
    cluster.delivered()
    assert len(cluster.told.kept) == 9
    assert broken(cluster) == []


def test_a_receiver_that_acknowledges_too_early_is_found_out(begin, near):
    """The control: else the tests here could not fail."""
    cluster = begin(near.database(), roles=("receive",), careless=True)
    made = image(study="1.2.9.0")
    assert cluster.send(made)
    cluster.told.kept[made.SOPInstanceUID] = made
    cluster.roles[0].kill()
    assert broken(cluster) == [f"object {made.SOPInstanceUID} was acknowledged and is not there"]


@pytest.mark.long
@pytest.mark.parametrize("role", ["receive", "settle", "send"])
def test_a_role_that_is_killed_again_and_again_breaks_no_promise(begin, near, role):
    cluster = begin(near.database())
    cluster.work(12, killing(cluster, (role,), 6, pause=0.6))
    cluster.delivered()
    assert broken(cluster) == []


@pytest.mark.long
def test_a_database_that_crashes_under_load_breaks_no_promise(begin, near):
    cluster = begin(near.database())

    def trouble():
        for _ in range(3):
            time.sleep(cluster.random.uniform(0.3, 1.0))
            near.crash()
            time.sleep(0.3)
            near.start()

    cluster.work(8, trouble)
    cluster.delivered()
    assert broken(cluster) == []


@pytest.mark.long
def test_a_database_behind_a_cut_network_breaks_no_promise(begin, monkeypatch):
    monkeypatch.setattr(engine_of, "GONE_SECONDS", 1)
    with wire() as made:
        server = Server(durable=True, address=made.there, namespace=made.name)
        try:
            near = server.database()
            cluster = begin(server.far(near) + "?tcp_user_timeout=1000&connect_timeout=1")

            def trouble():
                for _ in range(3):
                    time.sleep(cluster.random.uniform(0.3, 1.0))
                    made.cut()
                    time.sleep(cluster.random.uniform(0.5, 3.0))
                    made.mend()

            cluster.work(8, trouble)
            cluster.delivered()
            assert broken(cluster) == []
            cluster.close()
        finally:
            server.close()
